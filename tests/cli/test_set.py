"""--set on the commands that decide: the scenario is judged with the change."""

import json
from pathlib import Path

import pytest
from support import ROOT, invoke

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
DISCS = ROOT / "configs" / "catalogues" / "discs.yaml"
FEW = ("--units", 40, "--visits", 2, "--json")


COARSE = ("--set", "tasks.side view.step=120 mm")
"""Few cells, which see a change as well as many."""


def test_what_if_and_allocate_see_the_change() -> None:
    """A mastering ten times as coarse: what it is worth to halve it, and what a joint may err, both move."""
    change = "joints.*.mastering=120 arcsec"
    output = [json.loads(invoke("what-if", DEMO, *FEW, *COARSE, *more).stdout) for more in ((), ("--set", change))]
    halved = [
        next(
            row["at_coverage"]["value"]
            for row in item["rows"]
            if row["kind"] == "cause halved" and row["what"] == "mastering"
        )
        for item in output
    ]
    assert halved[1] < 3 * halved[0] < 0
    plain, changed = (
        invoke("allocate", DEMO, "--json", *COARSE, *more).stdout
        for more in ((), ("--set", "requirement.position=200 um"))
    )
    assert json.loads(plain) != json.loads(changed)


@pytest.mark.parametrize("command", ["select", "trade-off"])
def test_searches_see_the_change(command: str, tmp_path: Path) -> None:
    arguments = (
        command,
        DEMO,
        "--catalogue",
        DISCS,
        "--units",
        40,
        "--visits",
        2,
        "--set",
        "joints.j9.mastering=1 arcsec",
    )
    refused = invoke(*arguments)
    assert refused.returncode == 2
    assert f"no joint 'j9' in {DEMO}" in refused.stderr
