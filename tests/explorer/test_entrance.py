"""How a page is opened: from a session file, by the list of scenarios opened last, on the starter."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from test_session import CATALOGUE, small

from armsim.cli.explore import explore
from armsim.errors import InputError
from armsim.explorer import saving
from armsim.explorer.entrance import Entrance
from armsim.explorer.recent import MOST_RECENT, recent_scenarios, remember
from armsim.explorer.session import Inputs, Session
from armsim.explorer.session_file import read_session_file
from armsim.run_options import RunOptions


def test_a_session_file_opens_the_same_view(tmp_path: Path) -> None:
    """Design, pinned designs and notes are as they were; an undo leads to the scenario as read."""
    before = Session(Inputs.read(small(tmp_path), CATALOGUE))
    before.apply({"joints.j1.mounting.eccentricity": "5 um"})
    before.write_note("tighter base")
    before.pin("fine")
    before.apply({"joints.j2.placement": "output"})
    before.write_note("two lines\nof thought")
    path = saving.save_session(before, "mine-session.yaml")
    assert saving.farewell(before) == f"ended; saved: {path}"
    assert "mine-session" not in saving.command(before)  # it is no scenario
    content = read_session_file(path)
    after = Session(Inputs.read(content.scenario, content.catalogue))
    after.restore(content)
    assert after.design == before.design
    assert [(pin.name, pin.step.design) for pin in after.pinned] == [
        (pin.name, pin.step.design) for pin in before.pinned
    ]
    assert after.notes == before.notes
    after.undo()
    assert not after.design.changes


@pytest.mark.parametrize(
    ("content", "finding"),
    [
        ({"kind": "scenario"}, "accepted: session"),
        ({"kind": "session"}, "no file name"),
        ({"kind": "session", "scenario": "cell.yaml", "pins": []}, "unknown key"),
        ({"kind": "session", "scenario": "cell.yaml", "changes": [1]}, "not a mapping of paths"),
        ({"kind": "session", "scenario": "cell.yaml", "pinned": {"a": 1}}, "not a list of designs"),
        ({"kind": "session", "scenario": "cell.yaml", "pinned": [{"colour": 1}]}, "unknown key"),
        ({"kind": "session", "scenario": "cell.yaml", "note": 7}, "accepted: a text"),
        ({"kind": "session", "scenario": "cell.yaml", "catalogue": 7}, "no file name"),
    ],
)
def test_what_is_no_session_file_is_told(content: object, finding: str, tmp_path: Path) -> None:
    path = tmp_path / "wrong.yaml"
    path.write_text(json.dumps(content))
    with pytest.raises(InputError, match=finding):
        read_session_file(path)


def test_scenarios_opened_last_come_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    assert recent_scenarios() == ()
    paths = [tmp_path / f"{number}.yaml" for number in range(MOST_RECENT + 2)]
    for path in paths:
        path.touch()
        remember(path)
    remember(paths[3])
    assert recent_scenarios() == (paths[3], *(path for path in paths[:1:-1] if path != paths[3]))[:MOST_RECENT]
    paths[3].unlink()
    assert paths[3] not in recent_scenarios()
    next((tmp_path / "cache").rglob("recent.json")).write_text("{damaged")
    assert recent_scenarios() == ()


def test_the_demo_leaves_nothing_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Session, "begin", lambda session: None)  # without its arms
    entrance = Entrance(RunOptions(1))
    entrance.choose(None)
    session = entrance.session
    assert session is not None
    assert session.inputs.options is not None  # with its catalogue
    assert "demo" not in str(recent_scenarios())
    folder = session.file.parents[1]
    entrance.leave()
    assert not folder.exists()


def test_one_scenario_is_opened(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="beside SCENARIO"):
        explore(tmp_path / "cell.yaml", demo=True)
    with pytest.raises(InputError, match="a scenario file beside these options"):
        explore(catalogue=CATALOGUE)
