"""Commands load no library that they do not use. Source: the modules that they loaded."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from support import ROOT

HEAVY = {
    "scipy", "numba", "llvmlite", "matplotlib", "plotly", "jinja2", "rich", "typst", "roboticstoolbox", "spatialmath", "pandas",
    "pint", "dask", "distributed", "nicegui", "openpyxl", "multiprocessing", "concurrent",
}  # fmt: skip
LIST = """
import contextlib, io, sys
from armsim.cli.main import command
with contextlib.redirect_stdout(io.StringIO()):
    code, message = command(sys.argv[1:])
assert code == 0, message
print(*sorted({name.partition(".")[0] for name in sys.modules}))
"""


def loaded(*words: object) -> set[str]:
    command = [sys.executable, "-c", LIST, *map(str, words)]
    return set(subprocess.run(command, capture_output=True, text=True, check=True).stdout.split())


def test_check_loads_nothing_heavy_where_the_poses_are_known() -> None:
    scenario = ROOT / "scenarios" / "bonding-cell.yaml"
    loaded("check", scenario)  # finds the named poses, for which a solver is compiled
    assert not loaded("check", scenario) & HEAVY


@pytest.mark.parametrize(
    "words", [("explain",), ("explain", "eccentricity"), ("schema", "scenario"), ("schema", "results")]
)
def test_what_prints_declarations_loads_nothing_heavy(words: tuple[str, ...]) -> None:
    assert not loaded(*words) & HEAVY


def test_a_starter_is_written_with_nothing_heavy(tmp_path: Path) -> None:
    assert not loaded("new", tmp_path / "starter") & HEAVY


@pytest.mark.parametrize("words", [("--help",), ("--version",), ("run", "--help")])
def test_help_loads_no_library_but_that_of_the_command_line(words: tuple[str, ...]) -> None:
    """The library of the command line imports pydantic itself for the options of one command."""
    assert not loaded(*words) & (HEAVY | {"numpy", "yaml"})


@pytest.mark.parametrize(("setting", "used"), [(None, "1"), ("4", "4")])
def test_linear_algebra_has_one_thread_unless_the_user_says_otherwise(setting: str | None, used: str) -> None:
    """Two threads over the small matrices of `verify` took three times as long on two busy processors."""
    code = (
        "import os, sys; from armsim.cli import main as entry; assert 'numpy' not in sys.modules; "
        "entry.command = lambda: (print(os.environ['OPENBLAS_NUM_THREADS']) or 0, ''); entry.main()"
    )
    environment = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    environment |= {} if setting is None else {"OPENBLAS_NUM_THREADS": setting}
    process = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment)
    assert process.stdout.split() == [used], process.stderr
