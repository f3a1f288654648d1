"""`check --watch` prints anew when a file is saved, goes on after a fault, and ends by Ctrl-C without one."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from support import ROOT, invoke

LESSONS = ROOT / "scenarios" / "lessons"


def edit(path: Path, before: str, after: str) -> Callable[[], None]:
    """A change of a file as an editor saves it: by a new file that takes its name."""

    def save() -> None:
        fresh = path.with_suffix(".new")
        fresh.write_text(path.read_text().replace(before, after))
        fresh.replace(path)

    return save


def test_it_prints_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A scenario, a file that it refers to, a fault in that and its mending; edits come while it waits."""
    shutil.copytree(ROOT / "configs", tmp_path / "configs")
    scenario = tmp_path / "scenarios" / "lessons" / "eccentricity.yaml"
    scenario.parent.mkdir(parents=True)
    shutil.copy(LESSONS / scenario.name, scenario)
    disc = tmp_path / "configs" / "encoders" / "ideal-disc.yaml"
    edits = [
        edit(scenario, "limit: 10 um", "limit: 20 um"),
        edit(disc, "track_radius: 10 mm", "track_radius: 10 mmm"),
        edit(disc, "track_radius: 10 mmm", "track_radius: 40 mm"),
    ]

    def editing(seconds: float) -> None:
        if not edits:
            raise KeyboardInterrupt
        edits.pop(0)()

    monkeypatch.setattr("armsim.cli.check.time.sleep", editing)
    process = invoke("check", scenario, "--watch")
    assert process.returncode == 0, process.stderr
    printed = process.stdout.split(": saved, read again")
    assert len(printed) == 4
    # 10 um and 20 um on 10 mm, 20 um on 40 mm, of which 0.7071 is the root mean square over a turn [arcsec]
    for text, size in zip((printed[0], printed[1], printed[3]), (" 146 ", " 292 ", " 72.9 "), strict=True):
        assert size in text
    assert "ideal-disc.yaml:" in process.stderr
    assert "mmm" in process.stderr
