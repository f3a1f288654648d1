"""`armsim check` answers in a second: it loads no more than it needs. Source: the modules that it loaded."""

import os
import subprocess
import sys

import pytest
from support import ROOT

HEAVY = (
    "scipy.stats", "scipy.optimize", "scipy.special", "scipy.spatial", "numba", "matplotlib", "roboticstoolbox",
    "spatialmath", "pandas", "typst", "distributed",
)  # fmt: skip
COUNT = """
import contextlib, io, sys
from armsim.cli.main import command
with contextlib.redirect_stdout(io.StringIO()):
    code, told = command(["check", sys.argv[1]])
assert code == 0, told
print(*sorted(sys.modules))
"""


def loaded(scenario: str) -> set[str]:
    command = [sys.executable, "-c", COUNT, str(ROOT / "scenarios" / scenario)]
    process = subprocess.run(command, capture_output=True, text=True, check=True)
    return set(process.stdout.split())


def test_check_loads_nothing_heavy_where_the_poses_are_known() -> None:
    loaded("bonding-cell.yaml")  # finds the named poses, for which a solver is compiled
    assert not loaded("bonding-cell.yaml") & set(HEAVY)


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
