"""Imports run downward only, and modules stay small."""

import ast
from graphlib import TopologicalSorter
from pathlib import Path

from conftest import SLOW
from syntax import nodes

PACKAGE = Path(__file__).parent.parent / "armsim"
FLOORS = [
    {"__main__"},
    {"cli"},
    {"explorer"},
    {"notebook"},
    {"report"},
    {"figures"},
    {"decide"},
    {"calibration"},
    {"study"},
    {"assessment", "result_warnings", "inspection"},
    {"criteria"},
    {"documents"},
    {"scenario"},
    {"sampling", "tasks"},
    {"model"},
    {"physics"},
    {"errormodel"},
    {"results"},
    {"sources", "requirement", "sampling_plan", "run_options"},
    {"core", "field_spec", "formatting", "disk_cache", "version", "arrays", "disclaimer", "glossary", "processors"},
    {"errors", "causes"},
]
"""From the top. A name imports from floors below its own, and its own parts."""
DRAWING = {"matplotlib", "typst", "jinja2", "rich", "typer", "nicegui"}
"""What the waist and all below it do without."""


def floor(name: str) -> int:
    return next(i for i, names in enumerate(FLOORS) if name in names)


def imported(path: Path) -> set[str]:
    out = set()
    for node in nodes(path):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("armsim"):
            parts = node.module.split(".")
            out |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            out |= {alias.name.split(".")[1] for alias in node.names if alias.name.startswith("armsim.")}
    return out


MODULES = sorted(path for path in PACKAGE.rglob("*.py") if path.name != "__init__.py" or path.parent != PACKAGE)


def test_imports_run_downward() -> None:
    for path in MODULES:
        package_part = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        for name in imported(path) - {package_part}:
            assert floor(name) > floor(package_part), f"{path}: {package_part} imports {name}"


def test_nothing_draws_or_prints_below_the_reports() -> None:
    for path in MODULES:
        package_part = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        if floor(package_part) >= floor("decide"):
            loaded = {
                (name.split(".")[0])
                for node in nodes(path)
                for name in (
                    [alias.name for alias in node.names]
                    if isinstance(node, ast.Import)
                    else [node.module or ""]
                    if isinstance(node, ast.ImportFrom)
                    else []
                )
            }
            assert not loaded & DRAWING, f"{path}: {loaded & DRAWING}"


def test_modules_stay_small() -> None:
    assert not [path for path in MODULES if len(path.read_text().splitlines()) > 400]


def test_modules_make_no_circle() -> None:
    """Not even by imports inside of functions, for types alone, or by name."""
    names = {
        ".".join(("armsim", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__"): path
        for path in PACKAGE.rglob("*.py")
    }
    packages = {name for name, path in names.items() if path.name == "__init__.py"}  # their files are read by name
    modules = {*names} - packages
    graph: dict[str, set[str]] = {}
    for name, path in names.items():
        graph[name] = {node.value for node in nodes(path) if isinstance(node, ast.Constant) and node.value in modules}
        for node in nodes(path):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("armsim"):
                module = str(node.module)
                graph[name] |= {full if (full := f"{module}.{alias.name}") in names else module for alias in node.names}
    list(TopologicalSorter(graph).static_order())  # raises with the circle


BELOW_THE_WAIST = {
    "cli/command.py": {"sampling.devices"},  # a device that is not there is refused before any work
    "cli/run.py": {"sampling.duration", "sampling.kernels"},  # what a run will take, and kernels compiled beside it
    "figures/calibration_figures.py": {"errormodel.distributions"},  # a quantile of the normal law
    "figures/comparison_figures.py": {"sampling.paired_difference"},  # differences are data of results
    "report/frame.py": {"sampling.paired_difference"},
    "report/helpers.py": {"sampling.executors"},  # processes that end with their parent
    "report/identified_arm.py": {"errormodel.shapes"},  # what was identified is the size of a shape
    "report/reference.py": {"errormodel.distributions"},  # kinds of fields
    "report/workbook.py": {"sampling.gaussian"},  # the formula that the sheet repeats
}
"""What rooms above `decide` take from below the waist beside it; no entry is to be added without its reason."""


def test_what_is_shown_comes_from_the_waist() -> None:
    """Commands, page, reviews and figures take studies, results, inspections: no sampler, kernel or error model."""
    for path in MODULES:
        part, *_ = path.relative_to(PACKAGE).parts
        if floor(part.removesuffix(".py")) < floor("decide"):
            modules = {
                node.module.removeprefix("armsim.")
                for node in nodes(path)
                if isinstance(node, ast.ImportFrom) and node.module is not None
            }
            below = {name for name in modules if name.partition(".")[0] in ("sampling", "core", "errormodel")}
            assert below <= BELOW_THE_WAIST.get(path.relative_to(PACKAGE).as_posix(), set()), path


def test_core_imports_nothing_of_the_package() -> None:
    for path in (PACKAGE / "core").glob("*.py"):
        assert imported(path) <= {"core"}


def test_what_is_marked_slow_is_there() -> None:
    """A test that was renamed would run with the fast ones unseen."""
    for entry in SLOW:
        name, _, test = entry.partition("::")
        text = (Path(__file__).parent / name).read_text()
        assert not test or f"def {test.partition('[')[0]}(" in text, entry
