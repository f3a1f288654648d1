"""`armsim check` answers in a second: it loads no more than it needs. Source: the modules that it loaded."""

import subprocess
import sys

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
