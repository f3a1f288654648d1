"""The desk behind the page: answers of the design that stands alone, history, pins, files, who may speak to it."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from support import HANG, ROOT, invoke, until

import armsim
from armsim.documents.load import load_options, load_scenario
from armsim.errors import InputError
from armsim.explorer import background_jobs, charts, view_model
from armsim.explorer.design import Design, History
from armsim.explorer.edit_options import (
    Offered,
    chosen_changes,
    encoder_change,
    mounting_change,
    placement_change,
    rows,
    stated,
)
from armsim.explorer.guard import Guard
from armsim.explorer.session import MOST_HELD, Desk, Shown
from armsim.sampling.run_options import RunOptions
from armsim.study import Study

CATALOGUE = ROOT / "configs" / "catalogues" / "discs.yaml"


def small(place: Path, units: int = 300) -> Path:
    """A cell of one slice, few cells, beside the demo's configs."""
    whole = yaml.safe_load(
        (ROOT / "scenarios" / "bonding-cell.yaml").read_text().replace("../configs", str(ROOT / "configs"))
    )
    whole["tasks"][1]["step"] = "120 mm"
    whole["sampling"] = {"units": units, "visits": 5, "seed": 3}
    path = place / "cell.yaml"
    path.write_text("# a comment that stays\n" + json.dumps(whole, indent=1))
    return path


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    ready, options = load_options(small(tmp_path), CATALOGUE)
    own = Desk(Study(ready), options, CATALOGUE, RunOptions(2))
    own.begin()
    yield own
    own.end()


def whole(desk: Desk) -> Shown:
    shown: Shown = until(lambda: (own := desk.answer) is not None and own.whole and own)
    return shown


def test_the_whole_answer_is_that_of_a_run(desk: Desk) -> None:
    desk.apply({"joints.j2.mounting.eccentricity": "5 um"})
    shown = whole(desk)
    result = desk.current.run()
    for one, task in zip(shown.answer.judged, result.tasks, strict=True):
        assert one.summary == task.summary
        for column in ("error.p95", "accuracy.p95", "repeatability.p95"):
            assert np.array_equal(one.table.column(column), task.column(column))


def test_no_answer_of_an_older_design_shows_beside_a_newer_one(tmp_path: Path) -> None:
    """Designs follow each other quickly while answers grow: whatever is shown carries the key of what stands, and a
    late answer is refused."""
    desk = Desk(Study(load_scenario(small(tmp_path, 4000))), run_options=RunOptions(2))
    seen: list[tuple[str, str]] = []
    desk.changed = lambda: seen.append((desk.design.key, desk.answer.key)) if desk.answer is not None else None
    desk.begin()
    for n in range(30):
        desk.apply({"joints.j1.mounting.eccentricity": f"{n + 1} um"})
        if n % 3 == 2:  # some answers come, others are overtaken
            until(lambda: desk.answer is not None and desk.answer.key == desk.design.key)
    late = Shown(Design().key, desk.study, whole(desk).answer)
    assert not desk._publish(late)
    assert desk.answer is not None
    assert desk.answer.key == desk.design.key
    assert seen
    assert all(standing == shown for standing, shown in seen)
    desk.end()


def test_wrong_input_leaves_the_last_good_design_standing(desk: Desk) -> None:
    desk.apply({"joints.j1.mounting.eccentricity": "7 um"})
    before = desk.design
    for path, value in (
        ("joints.j1.mounting.eccentricity", "7 kg"),
        ("joints.j9.placement", "motor"),
        ("joints.j1.nothing", 1),
    ):
        with pytest.raises(InputError):
            desk.apply({path: value})
        assert desk.design == before
    assert whole(desk).study is desk.current


def test_undo_redo_and_sliding(desk: Desk) -> None:
    desk.apply({"joints.j1.mastering": "9 arcsec"})
    desk.apply({"joints.j1.mastering": "10 arcsec"}, sliding=True)
    desk.apply({"joints.j1.mastering": "11 arcsec"}, sliding=True)
    desk.apply({"joints.j2.placement": "output"})
    desk.undo()
    assert dict(desk.design.changes) == {"joints.j1.mastering": "11 arcsec"}
    desk.undo()
    assert not desk.design.changes
    desk.undo()
    desk.redo()
    desk.redo()
    desk.redo()
    assert dict(desk.design.changes) == {"joints.j1.mastering": "11 arcsec", "joints.j2.placement": "output"}


def test_a_change_of_a_whole_takes_its_parts_along() -> None:
    one = Design({"joints.j1.mounting.eccentricity": "3 um", "joints.j2.mastering": "1 arcsec"})
    two = one.with_changes({"joints.j1.mounting": {"eccentricity": "8 um"}})
    assert dict(two.changes) == {"joints.j2.mastering": "1 arcsec", "joints.j1.mounting": {"eccentricity": "8 um"}}
    assert History().to(Design()).at == 0
    assert one.key != two.key


def test_every_number_of_a_joint_can_be_typed_as_it_stands(desk: Desk) -> None:
    """What a field shows is taken, as it stands, and changes nothing but the path that it is written at."""
    offered = Offered.of(desk)
    before = whole(desk).answer.judged[0].summary.p95
    for row in rows(desk, offered)[:2]:
        assert row.fields
        for field in row.fields:
            path, raw = stated(field.path, desk.current.scenario)
            desk.apply({path: field.text if isinstance(raw, str) or raw is None else raw})
    assert whole(desk).answer.judged[0].summary.p95 == before


def test_encoder_placement_and_assembly_from_the_catalogue(desk: Desk) -> None:
    offered = Offered.of(desk)
    price = desk.current.scenario.machine.price
    desk.apply(encoder_change(offered, "j1", "disc 26 256 2h c"))
    desk.apply(placement_change(desk, "j1", "output"))
    desk.apply(mounting_change(desk, "j1", "careful"))
    row = rows(desk, offered)[0]
    assert (row.encoder, row.placement) == ("disc 26 256 2h c", "output")
    assert row.price == 34 + 20 + 9
    assert desk.current.scenario.machine.price == price - 12 + 63
    assert "disc 70 1024" not in rows(desk, offered)[5].encoders  # too large for the wrist, by the catalogue


def test_without_a_catalogue_the_files_beside_are_offered(tmp_path: Path) -> None:
    desk = Desk(armsim.load(ROOT / "scenarios" / "track-cell.yaml"))
    offered = Offered.of(desk)
    by_name = {row.joint: row for row in rows(desk, offered)}
    assert len(by_name["j1"].encoders) > 3
    assert all("tape" not in name for name in by_name["j1"].encoders)
    assert all("disc" not in name for name in by_name["track"].encoders)
    desk.apply(placement_change(desk, "j6", "motor"))
    assert desk.current.scenario.machine.joints[6].motor_encoder is None


def test_the_saved_file_runs_to_the_digits_that_are_shown(desk: Desk, tmp_path: Path) -> None:
    offered = Offered.of(desk)
    desk.apply(encoder_change(offered, "j2", "disc 35 512"))
    desk.apply({"joints.j3.mounting.eccentricity": "6 um"})
    shown = whole(desk)
    texts = [own.text for own in view_model.numbers(shown, 1)]
    path = background_jobs.save(desk, "mine.yaml")
    assert "a comment that stays" in (tmp_path / "cell.yaml").read_text()
    done = invoke("run", path, "--out", tmp_path / "out")
    assert done.returncode in (0, 1, 4), done.stderr
    assert texts[0].replace(" µm", "") in done.stdout
    assert str(path) in background_jobs.command(desk)
    desk.apply({"joints.j3.mounting.eccentricity": "7 um"})
    assert "--set" in background_jobs.command(desk)


def test_a_scenario_with_a_base_and_what_it_was_opened_with_are_kept(tmp_path: Path) -> None:
    """Source: the study itself with the same changes."""
    (tmp_path / "cells").mkdir()
    small(tmp_path / "cells")
    own = tmp_path / "own.yaml"
    own.write_text("kind: scenario\nbase: cells/cell.yaml\nchanges: {joints.j2.mounting.eccentricity: 31 um}\n")
    given = {"joints.j1.mounting.eccentricity": "17 um", "joints.j3.mounting.eccentricity": "9 um"}
    ready, options = load_options(own, CATALOGUE, given)
    desk = Desk(Study(ready), options, CATALOGUE, RunOptions(2), given=given)
    desk.apply({"joints.j3.mounting.eccentricity": "6 um"})
    desk.apply(encoder_change(Offered.of(desk), "j4", "disc 35 512"))
    wanted = desk.current.budgets()
    assert f"{own} " in background_jobs.command(desk)
    assert "j1.mounting.eccentricity=17 um" in background_jobs.command(desk)
    saved = background_jobs.save(desk, "mine.yaml")
    assert saved.parent == tmp_path
    assert armsim.load(saved).budgets() == wanted


@pytest.mark.parametrize(
    "name", ["../out.yaml", "a/b.yaml", "/etc/x.yaml", "cell.yaml", "x.txt", "", "..", "a\nb.yaml", "q" * 120 + ".yaml"]
)
def test_no_other_file_is_written(desk: Desk, name: str, tmp_path: Path) -> None:
    before = {own: own.read_bytes() for own in tmp_path.rglob("*") if own.is_file()}
    with pytest.raises(InputError):
        background_jobs.save(desk, name, replace=True)
    assert {own: own.read_bytes() for own in tmp_path.rglob("*") if own.is_file()} == before


def test_a_file_that_is_there_is_replaced_only_when_asked(desk: Desk, tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text("kind: other\n")
    (tmp_path / "link.yaml").symlink_to(tmp_path / "mine.yaml")
    for name, over in (("mine.yaml", False), ("link.yaml", True)):
        with pytest.raises(InputError):
            background_jobs.save(desk, name, over)
    background_jobs.save(desk, "mine.yaml", True)
    assert "base: cell.yaml" in (tmp_path / "mine.yaml").read_text()


def test_longer_work_one_at_a_time_and_stopped(desk: Desk) -> None:
    going = threading.Event()

    def slow(progress: Callable[[str, int, int], None]) -> str:
        while True:
            progress("step", 0, 1)
            going.set()

    assert desk.start("slow", slow)
    assert going.wait(HANG)
    assert not desk.start("other", slow)
    desk.halt()
    until(lambda: desk.work is not None and not desk.work.running)
    assert desk.work is not None
    assert desk.work.error == "stopped"
    assert desk.start(
        "wrong", lambda progress: background_jobs.swept(desk, "joints.j1.mastering", "nonsense", progress)
    )
    until(lambda: desk.work is not None and not desk.work.running)
    assert "nonsense" in desk.work.error


def test_the_cheapest_is_taken_and_pins_are_compared(desk: Desk) -> None:
    found = background_jobs.cheapest(desk, lambda what, done, total: None)
    assert found.design is not None
    desk.pin("as read")
    desk.apply(chosen_changes(desk, found.closest))
    assert desk.current.scenario.machine.price == found.price
    whole(desk)
    desk.apply({"joints.j1.mounting.eccentricity": "4 um"})
    whole(desk)
    desk.pin("finer")
    for n in range(4):
        desk.apply({"joints.j1.mounting.eccentricity": f"{10 + n} um"})
        desk.pin(f"p{n}")
    assert [pin.name for pin in desk.pinned] == ["p0", "p1", "p2", "p3"]
    desk.apply({"joints.j1.mounting.eccentricity": "19 um"})
    desk.pin("p3")
    assert [pin.name for pin in desk.pinned] == ["p1", "p2", "p3", "p3 2"]  # names differ, to be compared
    desk.unpin(desk.pinned[-1].design.key)
    desk.put(desk.pinned[0].design)
    compared = background_jobs.compared(desk, desk.pinned[:2], lambda what, done, total: None)
    assert {row.scenario for row in compared.differences} == {"p2"}
    desk.put(desk.pinned[0].design)
    assert desk.design == desk.pinned[0].design


def test_first_order_first_then_arms_that_grow(desk: Desk) -> None:
    stages: list[str] = []
    desk.changed = lambda: stages.append(view_model.stage(desk.answer))
    desk.apply({"joints.j4.mounting.eccentricity": "3 um"})
    shown = whole(desk)
    assert stages[0] == "working…"
    assert stages[1].startswith("first order")
    assert view_model.stage(shown) == "300 arms sampled"
    assert view_model.verdict(shown)[0].startswith("requirement")


def test_charts_of_every_kind_of_task() -> None:
    """Plain JSON of as many values as there are poses, whatever the task."""
    study = armsim.load(ROOT / "scenarios" / "every-task.yaml").with_plan(units=128, visits=3)
    desk = Desk(study, run_options=RunOptions(2))
    desk.begin()
    shown = whole(desk)
    look = charts.Look.of(False)
    for n, poses in enumerate(desk.found):
        for measure in ("95 % of errors", "RP, 95 % of arms", "share of base", "orientation, 95 %"):
            values = view_model.values(shown, n, measure)
            assert len(values.values) == len(poses.names)
            chart = charts.over_poses(poses, values, shown.answer.tables[n].column("conditioning"), 0, look)
            json.dumps(chart, allow_nan=False)
        json.dumps(charts.contributions(view_model.shares(shown, n, None), look), allow_nan=False)
        assert sum(share for _, _, share in view_model.shares(shown, n, 0)) == pytest.approx(1.0, abs=0.02)
        posture = view_model.posture(shown, poses, n, view_model.worst_pose(shown, n))
        assert np.linalg.det(posture.directions) == pytest.approx(1.0)
    desk.end()


# --- who may speak to the page ---------------------------------------------------------------------------------------


def ask(headers: dict[str, str], query: str = "", kind: str = "http") -> tuple[list[dict[str, Any]], bool]:
    """What the guard sends, and whether the request came through."""
    sent: list[dict[str, Any]] = []
    through = []

    async def inner(scope: Any, receive: Any, send: Any) -> None:
        through.append(True)
        await send({"type": "http.response.start", "status": 200, "headers": []})

    async def receive() -> dict[str, Any]:
        return {"type": "websocket.connect"}

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {
        "type": kind,
        "query_string": query.encode(),
        "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
    }
    asyncio.run(Guard(inner, "secret", 8000)(scope, receive, send))
    return sent, bool(through)


HOST = {"host": "127.0.0.1:8000"}


@pytest.mark.parametrize(
    ("headers", "query", "kind", "allowed"),
    [
        (HOST, "token=secret", "http", True),
        ({"host": "localhost:8000"}, "token=secret", "http", True),
        ({**HOST, "cookie": "armsim=secret"}, "", "http", True),
        ({**HOST, "cookie": "armsim=secret", "origin": "http://127.0.0.1:8000"}, "", "websocket", True),
        (HOST, "", "http", False),
        (HOST, "token=other", "http", False),
        ({"host": "evil.example:8000"}, "token=secret", "http", False),
        ({"host": "127.0.0.1:9000"}, "token=secret", "http", False),
        ({}, "token=secret", "http", False),
        ({**HOST, "origin": "http://evil.example"}, "token=secret", "http", False),
        ({**HOST, "cookie": "armsim=secret", "origin": "http://evil.example"}, "", "websocket", False),
        ({**HOST, "cookie": "armsim=wrong"}, "", "websocket", False),
        (HOST, "token=secret", "websocket", False),
    ],
)
def test_hosts_origins_and_tokens(headers: dict[str, str], query: str, kind: str, allowed: bool) -> None:
    sent, through = ask(headers, query, kind)
    assert through == allowed
    if not allowed:
        assert sent[0].get("status", 403) == 403
        assert sent[0]["type"] in ("http.response.start", "websocket.close")
    elif "token" in query:
        assert any(key == b"set-cookie" and b"HttpOnly" in value for key, value in sent[0]["headers"])


def test_without_its_library_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from armsim.cli import explore, options

    monkeypatch.setattr(options, "find_spec", lambda name: None)
    with pytest.raises(InputError, match="armsim\\[explore\\]"):
        explore.explore(small(tmp_path))


def test_first_order_and_samples_fill_the_same_rows(desk: Desk) -> None:
    """Otherwise the page builds its rows anew between the two, which takes longer than both."""
    answers = list(desk.study.growing(desk.found, RunOptions(1)))
    names = [
        [own.name for own in view_model.numbers(Shown("", desk.study, own), 0)] for own in (answers[0], answers[-1])
    ]
    assert names[0] == names[1]
    assert "yield" in names[0]


def test_no_more_studies_are_held_than_are_of_use(desk: Desk) -> None:
    for step in range(40):
        desk.apply({"joints.j2.mounting.eccentricity": f"{10 + step} um"}, sliding=step > 0)
    assert len(desk._studies) <= MOST_HELD
    assert desk.current is desk.current
    assert desk.study_of(Design()).scenario.machine.joints == desk.study.scenario.machine.joints
