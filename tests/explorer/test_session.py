"""The session behind the page: answers of the design that stands alone, history, pins, files, who may speak to it."""

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
    Choices,
    chosen_changes,
    encoder_change,
    mounting_change,
    placement_change,
    rows,
    yaml_value,
)
from armsim.explorer.guard import Guard
from armsim.explorer.session import MOST_STUDIES, Session, Snapshot
from armsim.sampling.run_options import RunOptions
from armsim.study import Study

CATALOGUE = ROOT / "configs" / "catalogues" / "discs.yaml"


def small(place: Path, units: int = 300) -> Path:
    """A cell of one slice, few cells, beside the demo's configs."""
    content = yaml.safe_load(
        (ROOT / "scenarios" / "bonding-cell.yaml").read_text().replace("../configs", str(ROOT / "configs"))
    )
    content["tasks"][1]["step"] = "120 mm"
    content["sampling"] = {"units": units, "visits": 5, "seed": 3}
    path = place / "cell.yaml"
    path.write_text("# a comment that stays\n" + json.dumps(content, indent=1))
    return path


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    ready, options = load_options(small(tmp_path), CATALOGUE)
    explorer_session = Session(Study(ready), options, CATALOGUE, RunOptions(2))
    explorer_session.begin()
    yield explorer_session
    explorer_session.end()


def complete_snapshot(session: Session) -> Snapshot:
    snapshot: Snapshot = until(lambda: (latest := session.snapshot) is not None and latest.complete and latest)
    return snapshot


def test_the_whole_answer_is_that_of_a_run(session: Session) -> None:
    session.apply({"joints.j2.mounting.eccentricity": "5 um"})
    snapshot = complete_snapshot(session)
    result = session.current.run()
    for one, task in zip(snapshot.answer.judged, result.tasks, strict=True):
        assert one.summary == task.summary
        for column in ("error.p95", "accuracy.p95", "repeatability.p95"):
            assert np.array_equal(one.table.column(column), task.column(column))


def test_no_answer_of_an_older_design_shows_beside_a_newer_one(tmp_path: Path) -> None:
    """Designs follow each other quickly while answers grow: whatever is shown carries the key of what stands, and a
    late answer is refused."""
    session = Session(Study(load_scenario(small(tmp_path, 4000))), run_options=RunOptions(2))
    records: list[tuple[str, str]] = []
    session.on_change = lambda: (
        records.append((session.design.key, session.snapshot.key)) if session.snapshot is not None else None
    )
    session.begin()
    for n in range(30):
        session.apply({"joints.j1.mounting.eccentricity": f"{n + 1} um"})
        if n % 3 == 2:  # some answers come, others are overtaken
            until(lambda: session.snapshot is not None and session.snapshot.key == session.design.key)
    late = Snapshot(Design().key, session.study, complete_snapshot(session).answer)
    assert not session._publish(late)
    assert session.snapshot is not None
    assert session.snapshot.key == session.design.key
    assert records
    assert all(standing == item for standing, item in records)
    session.end()


def test_wrong_input_leaves_the_last_good_design_standing(session: Session) -> None:
    session.apply({"joints.j1.mounting.eccentricity": "7 um"})
    before = session.design
    for path, value in (
        ("joints.j1.mounting.eccentricity", "7 kg"),
        ("joints.j9.placement", "motor"),
        ("joints.j1.nothing", 1),
    ):
        with pytest.raises(InputError):
            session.apply({path: value})
        assert session.design == before
    assert complete_snapshot(session).study is session.current


def test_undo_redo_and_sliding(session: Session) -> None:
    session.apply({"joints.j1.mastering": "9 arcsec"})
    session.apply({"joints.j1.mastering": "10 arcsec"}, sliding=True)
    session.apply({"joints.j1.mastering": "11 arcsec"}, sliding=True)
    session.apply({"joints.j2.placement": "output"})
    session.undo()
    assert dict(session.design.changes) == {"joints.j1.mastering": "11 arcsec"}
    session.undo()
    assert not session.design.changes
    session.undo()
    session.redo()
    session.redo()
    session.redo()
    assert dict(session.design.changes) == {"joints.j1.mastering": "11 arcsec", "joints.j2.placement": "output"}


def test_a_change_of_a_whole_takes_its_parts_along() -> None:
    one = Design({"joints.j1.mounting.eccentricity": "3 um", "joints.j2.mastering": "1 arcsec"})
    two = one.with_changes({"joints.j1.mounting": {"eccentricity": "8 um"}})
    assert dict(two.changes) == {"joints.j2.mastering": "1 arcsec", "joints.j1.mounting": {"eccentricity": "8 um"}}
    assert History().to(Design()).at == 0
    assert one.key != two.key


def test_every_number_of_a_joint_can_be_typed_as_it_stands(session: Session) -> None:
    """What a field shows is taken, as it stands, and changes nothing but the path that it is written at."""
    choices = Choices.of(session)
    before = complete_snapshot(session).answer.judged[0].summary.p95
    for row in rows(session, choices)[:2]:
        assert row.fields
        for field in row.fields:
            path, raw = yaml_value(field.path, session.current.scenario)
            session.apply({path: field.text if isinstance(raw, str) or raw is None else raw})
    assert complete_snapshot(session).answer.judged[0].summary.p95 == before


def test_encoder_placement_and_assembly_from_the_catalogue(session: Session) -> None:
    choices = Choices.of(session)
    price = session.current.scenario.machine.price
    session.apply(encoder_change(choices, "j1", "disc 26 256 2h c"))
    session.apply(placement_change(session, "j1", "output"))
    session.apply(mounting_change(session, "j1", "careful"))
    row = rows(session, choices)[0]
    assert (row.encoder, row.placement) == ("disc 26 256 2h c", "output")
    assert row.price == 34 + 20 + 9
    assert session.current.scenario.machine.price == price - 12 + 63
    assert "disc 70 1024" not in rows(session, choices)[5].encoders  # too large for the wrist, by the catalogue


def test_without_a_catalogue_the_files_beside_are_offered(tmp_path: Path) -> None:
    session = Session(armsim.load(ROOT / "scenarios" / "track-cell.yaml"))
    choices = Choices.of(session)
    by_name = {row.joint: row for row in rows(session, choices)}
    assert len(by_name["j1"].encoders) > 3
    assert all("tape" not in name for name in by_name["j1"].encoders)
    assert all("disc" not in name for name in by_name["track"].encoders)
    session.apply(placement_change(session, "j6", "motor"))
    assert session.current.scenario.machine.joints[6].motor_encoder is None


def test_the_saved_file_runs_to_the_digits_that_are_shown(session: Session, tmp_path: Path) -> None:
    choices = Choices.of(session)
    session.apply(encoder_change(choices, "j2", "disc 35 512"))
    session.apply({"joints.j3.mounting.eccentricity": "6 um"})
    snapshot = complete_snapshot(session)
    texts = [number.text for number in view_model.numbers(snapshot, 1)]
    path = background_jobs.save(session, "mine.yaml")
    assert "a comment that stays" in (tmp_path / "cell.yaml").read_text()
    process = invoke("run", path, "--out", tmp_path / "out")
    assert process.returncode in (0, 1, 4), process.stderr
    assert texts[0].replace(" µm", "") in process.stdout
    assert str(path) in background_jobs.command(session)
    session.apply({"joints.j3.mounting.eccentricity": "7 um"})
    assert "--set" in background_jobs.command(session)


def test_a_scenario_with_a_base_and_what_it_was_opened_with_are_kept(tmp_path: Path) -> None:
    """Source: the study itself with the same changes."""
    (tmp_path / "cells").mkdir()
    small(tmp_path / "cells")
    target = tmp_path / "own.yaml"
    target.write_text("kind: scenario\nbase: cells/cell.yaml\nchanges: {joints.j2.mounting.eccentricity: 31 um}\n")
    arguments = {"joints.j1.mounting.eccentricity": "17 um", "joints.j3.mounting.eccentricity": "9 um"}
    ready, options = load_options(target, CATALOGUE, arguments)
    session = Session(Study(ready), options, CATALOGUE, RunOptions(2), initial_changes=arguments)
    session.apply({"joints.j3.mounting.eccentricity": "6 um"})
    session.apply(encoder_change(Choices.of(session), "j4", "disc 35 512"))
    expected = session.current.budgets()
    assert f"{target} " in background_jobs.command(session)
    assert "j1.mounting.eccentricity=17 um" in background_jobs.command(session)
    saved = background_jobs.save(session, "mine.yaml")
    assert saved.parent == tmp_path
    assert armsim.load(saved).budgets() == expected


@pytest.mark.parametrize(
    "name", ["../out.yaml", "a/b.yaml", "/etc/x.yaml", "cell.yaml", "x.txt", "", "..", "a\nb.yaml", "q" * 120 + ".yaml"]
)
def test_no_other_file_is_written(session: Session, name: str, tmp_path: Path) -> None:
    before = {file: file.read_bytes() for file in tmp_path.rglob("*") if file.is_file()}
    with pytest.raises(InputError):
        background_jobs.save(session, name, replace=True)
    assert {file: file.read_bytes() for file in tmp_path.rglob("*") if file.is_file()} == before


def test_a_file_that_is_there_is_replaced_only_when_asked(session: Session, tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text("kind: other\n")
    (tmp_path / "link.yaml").symlink_to(tmp_path / "mine.yaml")
    for name, over in (("mine.yaml", False), ("link.yaml", True)):
        with pytest.raises(InputError):
            background_jobs.save(session, name, over)
    background_jobs.save(session, "mine.yaml", True)
    assert "base: cell.yaml" in (tmp_path / "mine.yaml").read_text()


def test_longer_work_one_at_a_time_and_stopped(session: Session) -> None:
    going = threading.Event()

    def slow(progress: Callable[[str, int, int], None]) -> str:
        while True:
            progress("step", 0, 1)
            going.set()

    assert session.start_job("slow", slow)
    assert going.wait(HANG)
    assert not session.start_job("other", slow)
    session.stop_job()
    until(lambda: session.job is not None and not session.job.running)
    assert session.job is not None
    assert session.job.error == "stopped"
    assert session.start_job(
        "wrong", lambda progress: background_jobs.sweep_number(session, "joints.j1.mastering", "nonsense", progress)
    )
    until(lambda: session.job is not None and not session.job.running)
    assert "nonsense" in session.job.error


def test_the_cheapest_is_taken_and_pins_are_compared(session: Session) -> None:
    actual = background_jobs.cheapest(session, lambda what, item, total: None)
    assert actual.design is not None
    session.pin("as read")
    session.apply(chosen_changes(session, actual.closest))
    assert session.current.scenario.machine.price == actual.price
    complete_snapshot(session)
    session.apply({"joints.j1.mounting.eccentricity": "4 um"})
    complete_snapshot(session)
    session.pin("finer")
    for n in range(4):
        session.apply({"joints.j1.mounting.eccentricity": f"{10 + n} um"})
        session.pin(f"p{n}")
    assert [pin.name for pin in session.pinned] == ["p0", "p1", "p2", "p3"]
    session.apply({"joints.j1.mounting.eccentricity": "19 um"})
    session.pin("p3")
    assert [pin.name for pin in session.pinned] == ["p1", "p2", "p3", "p3 2"]  # names differ, to be compared
    session.unpin(session.pinned[-1].design.key)
    session.set_design(session.pinned[0].design)
    compared = background_jobs.compare_pins(session, session.pinned[:2], lambda what, item, total: None)
    assert {row.scenario for row in compared.differences} == {"p2"}
    session.set_design(session.pinned[0].design)
    assert session.design == session.pinned[0].design


def test_first_order_first_then_arms_that_grow(session: Session) -> None:
    stages: list[str] = []
    session.on_change = lambda: stages.append(view_model.stage(session.snapshot))
    session.apply({"joints.j4.mounting.eccentricity": "3 um"})
    snapshot = complete_snapshot(session)
    assert stages[0] == "working…"
    assert stages[1].startswith("first order")
    assert view_model.stage(snapshot) == "300 arms sampled"
    assert view_model.verdict(snapshot)[0].startswith("requirement")


def test_charts_of_every_kind_of_task() -> None:
    """Plain JSON of as many values as there are poses, whatever the task."""
    study = armsim.load(ROOT / "scenarios" / "every-task.yaml").with_plan(units=128, visits=3)
    session = Session(study, run_options=RunOptions(2))
    session.begin()
    snapshot = complete_snapshot(session)
    look = charts.Theme.of(False)
    for n, poses in enumerate(session.poses):
        for measure in ("95 % of errors", "RP, 95 % of arms", "share of base", "orientation, 95 %"):
            values = view_model.values(snapshot, n, measure)
            assert len(values.values) == len(poses.names)
            chart = charts.over_poses(poses, values, snapshot.answer.tables[n].column("conditioning"), 0, look)
            json.dumps(chart, allow_nan=False)
        json.dumps(charts.contributions(view_model.shares(snapshot, n, None), look), allow_nan=False)
        assert sum(share for _, _, share in view_model.shares(snapshot, n, 0)) == pytest.approx(1.0, abs=0.02)
        posture = view_model.posture(snapshot, poses, n, view_model.worst_pose(snapshot, n))
        assert np.linalg.det(posture.directions) == pytest.approx(1.0)
    session.end()


# --- who may speak to the page ---------------------------------------------------------------------------------------


def request(headers: dict[str, str], query: str = "", kind: str = "http") -> tuple[list[dict[str, Any]], bool]:
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
    sent, through = request(headers, query, kind)
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


def test_first_order_and_samples_fill_the_same_rows(session: Session) -> None:
    """Otherwise the page builds its rows anew between the two, which takes longer than both."""
    answers = list(session.study.growing(session.poses, RunOptions(1)))
    names = [
        [number.name for number in view_model.numbers(Snapshot("", session.study, item), 0)]
        for item in (answers[0], answers[-1])
    ]
    assert names[0] == names[1]
    assert "yield" in names[0]


def test_no_more_studies_are_held_than_are_of_use(session: Session) -> None:
    for step in range(40):
        session.apply({"joints.j2.mounting.eccentricity": f"{10 + step} um"}, sliding=step > 0)
    assert len(session._studies) <= MOST_STUDIES
    assert session.current is session.current
    assert session.study_of(Design()).scenario.machine.joints == session.study.scenario.machine.joints
