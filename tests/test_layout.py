"""Imports run downward only, and modules stay small."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "armsim"
FLOORS = [
    {"cli"},
    {"report"},
    {"decide", "hardware"},
    {"study"},
    {"judgement"},
    {"documents"},
    {"engine", "tasks"},
    {"model"},
    {"physics"},
    {"views"},
    {"figures"},
    {"terms", "shapes", "spreads", "results", "posetable", "ellipsoids", "core", "errors", "present"},
]
GROUND_ORDER = {
    "terms": {"shapes", "spreads"},
    "shapes": {"spreads"},
    "spreads": set(),
    "results": {"spreads", "posetable"},
    "posetable": {"spreads", "ellipsoids"},
    "ellipsoids": {"spreads"},
    "errors": set(),
    "present": set(),
    "core": set(),
}


def floor(name: str) -> int:
    return next(i for i, names in enumerate(FLOORS) if name in names)


def imported(path: Path) -> set[str]:
    out = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("armsim"):
            parts = node.module.split(".")
            out |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            out |= {alias.name.split(".")[1] for alias in node.names if alias.name.startswith("armsim.")}
    return out - {"__version__"}


MODULES = sorted(path for path in PACKAGE.rglob("*.py") if path.name != "__init__.py" or path.parent != PACKAGE)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_run_downward(path: Path) -> None:
    own = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    for name in imported(path) - {own}:
        if name not in {n for names in FLOORS for n in names}:
            continue  # the Python API itself, used by the commands
        if own in GROUND_ORDER:
            assert name in GROUND_ORDER[own], f"{path}: {own} imports {name}"
        else:
            assert floor(name) > floor(own), f"{path}: {own} imports {name}"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_modules_stay_small(path: Path) -> None:
    assert len(path.read_text().splitlines()) <= 420


def test_core_imports_nothing_of_the_package() -> None:
    for path in (PACKAGE / "core").glob("*.py"):
        assert imported(path) <= {"core"}
