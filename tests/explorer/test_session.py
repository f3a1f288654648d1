"""The session behind the page: answers of the design that stands alone, history, pins, files, who may speak to it."""

from __future__ import annotations

import asyncio
import io
import json
import os
import shutil
import socket
import threading
import zipfile
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from blank_figures import blank_figure
from plotly.colors import get_colorscale
from support import HANG, ROOT, invoke, until

import armsim
from armsim.decide import resolving
from armsim.documents.load import options_for
from armsim.errors import InputError
from armsim.explorer import background_jobs, charts, saving, scene, stylesheet, view_model
from armsim.explorer.changed_values import apply_where_possible, changed_values, skipped_sentence, take_back
from armsim.explorer.design import MOST_STEPS, Design, History, Step
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
from armsim.explorer.job_runner import Job
from armsim.explorer.result_charts import arms_chart, charts_of
from armsim.explorer.results_drawer import can_be_resolved
from armsim.explorer.session import Inputs, Session
from armsim.explorer.snapshot import JobInput, Snapshot
from armsim.explorer.space_map import cells_of, points_in_view, space_map
from armsim.figures.population_figures import BINS
from armsim.run_options import RunOptions

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
    explorer_session = Session(Inputs.read(small(tmp_path), CATALOGUE), RunOptions(2))
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
    for one, task in zip(snapshot.answer.assessed_tasks, result.tasks, strict=True):
        assert one.summary == task.summary
        for column in ("error.p95", "accuracy.p95", "repeatability.p95"):
            assert np.array_equal(one.table.column(column), task.column(column))


def test_no_answer_of_an_older_design_shows_beside_a_newer_one(tmp_path: Path) -> None:
    """Designs follow each other quickly while answers grow: whatever is shown carries the key of what stands, and a
    late answer is refused."""
    session = Session(Inputs.read(small(tmp_path, 4000)), RunOptions(2))
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


def test_undo_takes_back_one_cause(session: Session) -> None:
    """A slide is a step from press to release; a change between two slides of a number is a step of its own."""
    first, second = object(), object()
    for value in (9, 10, 11):
        session.apply({"joints.j1.mastering": f"{value} arcsec"}, first)
    session.apply({"joints.j2.placement": "output"})
    for value in (12, 13):
        session.apply({"joints.j1.mastering": f"{value} arcsec"}, second)
    session.undo()
    assert dict(session.design.changes) == {"joints.j1.mastering": "11 arcsec", "joints.j2.placement": "output"}
    session.undo()
    assert dict(session.design.changes) == {"joints.j1.mastering": "11 arcsec"}
    session.undo()
    assert not session.design.changes
    session.undo()
    for _ in range(3):
        session.redo()
    assert session.design.changes["joints.j1.mastering"] == "13 arcsec"
    session.undo()
    session.apply({"joints.j1.mastering": "14 arcsec"}, second)  # after an undo the slide is another step
    assert session.history.redone is None
    session.undo()
    assert session.design.changes["joints.j1.mastering"] == "11 arcsec"


def test_steps_carry_their_study_and_are_bounded(session: Session, tmp_path: Path) -> None:
    """An undo needs no file any more; the oldest of many steps are dropped."""
    studies = []
    for n in range(3):
        session.apply({"joints.j1.mastering": f"{9 + n} arcsec"})
        studies.append(session.current)
    (tmp_path / "cell.yaml").unlink()
    session.undo()
    assert session.current is studies[1]
    history = History((Step(Design(), session.study),))
    for n in range(MOST_STEPS + 5):
        history = history.to(Step(Design({"a": n}), session.study))
    assert len(history.steps) == MOST_STEPS
    assert history.step.design.changes["a"] == MOST_STEPS + 4


def test_a_change_of_a_whole_takes_its_parts_along() -> None:
    one = Design({"joints.j1.mounting.eccentricity": "3 um", "joints.j2.mastering": "1 arcsec"})
    two = one.with_changes({"joints.j1.mounting": {"eccentricity": "8 um"}})
    assert dict(two.changes) == {"joints.j2.mastering": "1 arcsec", "joints.j1.mounting": {"eccentricity": "8 um"}}
    assert one.key != two.key


def test_a_design_is_named_by_what_it_changes() -> None:
    initial = Design({"sampling.units": 300})
    assert initial.name_since(initial) == "as read"
    one = initial.with_changes({"joints.j1.mounting.eccentricity": "3 um"})
    assert one.name_since(initial) == "j1 mounting eccentricity 3 um"
    two = one.with_changes({"joints.j2.encoder": "../c/discs.yaml#disc 35 512", "joints.j3.mounting": {"disc_tilt": 0}})
    assert two.name_since(initial) == "j3 mounting, j2 encoder disc 35 512 and 1 more"
    assert "j1 mounting eccentricity 4 um" in two.with_changes({"joints.j1.mounting.eccentricity": "4 um"}).name_since(
        initial
    )


def test_every_number_of_a_joint_can_be_typed_as_it_stands(session: Session) -> None:
    """What a field shows is taken, as it stands, and changes nothing but the path that it is written at."""
    choices = Choices.of(session)
    before = complete_snapshot(session).answer.assessed_tasks[0].summary.p95
    for row in rows(session, choices)[:2]:
        assert row.fields
        for field in row.fields:
            path, raw = yaml_value(field.path, session.current.scenario)
            session.apply({path: field.text if isinstance(raw, str) or raw is None else raw})
    assert complete_snapshot(session).answer.assessed_tasks[0].summary.p95 == before


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


def test_what_was_chosen_is_taken_back_by_choosing(session: Session) -> None:
    """A price that only the page has stated is not in the file, from which it could not be removed."""
    before = session.current.scenario.machine
    session.apply(placement_change(session, "j1", "output"))
    assert session.current.scenario.machine.price != before.price
    session.apply(placement_change(session, "j1", "motor"))
    assert session.current.scenario.machine.joints == before.joints


def test_every_changed_value_has_its_way_back(tmp_path: Path) -> None:
    """A placement goes back with its price, which the mounting still has a part in."""
    session = Session(Inputs.read(small(tmp_path), CATALOGUE))
    choices, before = Choices.of(session), session.current.scenario.machine
    session.apply(placement_change(session, "j1", "output"))
    session.apply(mounting_change(session, "j1", "careful"))
    session.apply(encoder_change(choices, "j1", "disc 26 512"))
    session.apply({"joints.j2.mounting.eccentricity": "5 um"})
    assert [(value.joint, value.label, value.before) for value in changed_values(session)] == [
        ("j1", "placement", "motor"), ("j1", "mounting", "plain"), ("j1", "encoder", before.joints[0].encoder.name),
        ("j2", "mounting: eccentricity", "20 um"),
    ]  # fmt: skip
    mountings = [row.mounting for row in rows(session, choices)]
    assert mountings[:3] == ["careful", "as it is: eccentricity 5 um, disc tilt 0.2 deg", "plain"]
    prices = []
    for path in ("placement", "mounting", "encoder"):
        take_back(session, f"joints.j1.{path}")
        prices.append(session.current.scenario.machine.joints[0].price)
    assert prices == [19 + 9, 19, 12]  # of the catalogue: disc 26 512 costs 19, careful 9
    take_back(session, "joints.j2.mounting.eccentricity")
    assert session.current.scenario.machine.joints == before.joints
    assert not changed_values(session)


def test_joints_that_cannot_take_a_change_are_skipped_and_named(tmp_path: Path) -> None:
    session = Session(Inputs.read(small(tmp_path)))
    changes: dict[str, dict[str, Any]] = {
        name: {f"joints.{name}.mounting.{key}": "5 um"} for name, key in (("j1", "eccentricity"), ("j2", "bogus"))
    }
    steps = len(session.history.steps)
    skipped = apply_where_possible(session, changes)
    assert list(skipped) == ["j2"]
    assert skipped_sentence(skipped).startswith("not at j2: unknown key")
    assert dict(session.design.changes) == changes["j1"]
    assert len(session.history.steps) == steps + 1
    with pytest.raises(InputError):
        apply_where_possible(session, {"j2": changes["j2"]})


def test_without_a_catalogue_the_files_beside_are_offered(tmp_path: Path) -> None:
    session = Session(Inputs.read(ROOT / "scenarios" / "track-cell.yaml"))
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
    path = saving.save(session, "mine.yaml")
    assert "a comment that stays" in (tmp_path / "cell.yaml").read_text()
    process = invoke("run", path, "--out", tmp_path / "out")
    assert process.returncode in (0, 1, 4), process.stderr
    assert texts[0].replace(" µm", "") in process.stdout
    assert str(path) in saving.command(session)
    session.apply({"joints.j3.mounting.eccentricity": "7 um"})
    assert "--set" in saving.command(session)


def test_a_scenario_with_a_base_and_what_it_was_opened_with_are_kept(tmp_path: Path) -> None:
    """Source: the study itself with the same changes."""
    (tmp_path / "cells").mkdir()
    small(tmp_path / "cells")
    target = tmp_path / "own.yaml"
    target.write_text("kind: scenario\nbase: cells/cell.yaml\nchanges: {joints.j2.mounting.eccentricity: 31 um}\n")
    arguments = {"joints.j1.mounting.eccentricity": "17 um", "joints.j3.mounting.eccentricity": "9 um"}
    session = Session(Inputs.read(target, CATALOGUE, arguments), RunOptions(2))
    session.apply({"joints.j3.mounting.eccentricity": "6 um"})
    session.apply(encoder_change(Choices.of(session), "j4", "disc 35 512"))
    expected = session.current.budgets()
    assert f"{target} " in saving.command(session)
    assert "j1.mounting.eccentricity=17 um" in saving.command(session)
    saved = saving.save(session, "mine.yaml")
    assert saved.parent == tmp_path
    assert armsim.load(saved).budgets() == expected


@pytest.mark.parametrize(
    "name", ["../out.yaml", "a/b.yaml", "/etc/x.yaml", "cell.yaml", "x.txt", "", "..", "a\nb.yaml", "q" * 120 + ".yaml"]
)
def test_no_other_file_is_written(session: Session, name: str, tmp_path: Path) -> None:
    before = {file: file.read_bytes() for file in tmp_path.rglob("*") if file.is_file()}
    with pytest.raises(InputError):
        saving.save(session, name, replacing=True)
    assert {file: file.read_bytes() for file in tmp_path.rglob("*") if file.is_file()} == before


def test_a_file_that_is_there_is_replaced_only_when_asked(session: Session, tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text("kind: other\n")
    (tmp_path / "link.yaml").symlink_to(tmp_path / "mine.yaml")
    for name, over in (("mine.yaml", False), ("link.yaml", True)):
        with pytest.raises(InputError):
            saving.save(session, name, over)
    saving.save(session, "mine.yaml", True)
    assert "base: cell.yaml" in (tmp_path / "mine.yaml").read_text()


def finished(session: Session) -> Job:
    """The latest job, as soon as none runs."""
    job: Job = until(lambda: session.jobs.running is None and session.job)
    return job


def test_longer_work_one_at_a_time_and_stopped(session: Session) -> None:
    going = threading.Event()

    def slow(job_input: JobInput, options: RunOptions) -> str:
        while True:
            options.progress("step", 0, 1)
            going.set()

    assert session.start_job("slow", slow)
    assert going.wait(HANG)
    assert not session.start_job("other", slow)
    session.jobs.stop()
    assert finished(session).error == "stopped"
    assert session.start_job("wrong", partial(background_jobs.sweep_number, "joints.j1.mastering", "nonsense"))
    assert "nonsense" in finished(session).error


def test_a_stop_is_heard_between_two_reports_of_progress(session: Session) -> None:
    going = threading.Event()

    def sampling(job_input: JobInput, options: RunOptions) -> object:
        going.set()
        quiet = replace(options, progress=lambda what, completed, total: None)
        return job_input.study.with_plan(units=20_000, visits=1000).evaluate(job_input.poses, quiet)

    session.start_job("sampling", sampling)
    assert going.wait(HANG)
    session.jobs.stop()
    assert finished(session).error == "stopped"


def test_a_job_works_on_the_design_at_the_moment_of_its_start(session: Session) -> None:
    """What changes while it runs does not reach it; its result tells its design, which can be opened again."""
    session.apply({"joints.j1.mounting.eccentricity": "40 um"})
    gate = threading.Event()

    def job(job_input: JobInput, options: RunOptions) -> object:
        assert gate.wait(HANG)
        return job_input.request.command, job_input.study.scenario.machine

    session.start_job("question", job)
    machine = session.current.scenario.machine
    session.apply({"joints.j1.mounting.eccentricity": "1 um"})
    gate.set()
    job = finished(session)
    assert "eccentricity=40 um" in job.result[0]
    assert job.result[1] is machine
    assert job.job_input.name == "j1 mounting eccentricity 40 um"
    assert job.key != session.design.key
    assert job.job_input.snapshot is None  # a result does not hold the samples of its design
    session.set_design(job.job_input.step.design)
    assert session.current.scenario.machine is machine
    session.jobs.dismiss(job.number)
    assert session.job is None


@pytest.mark.parametrize("with_catalogue", [False, True])
def test_the_review_is_that_of_its_command(
    tmp_path: Path, with_catalogue: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`--reproduce` takes its manifest, whatever the page has read and changed meanwhile; source: the command itself."""
    monkeypatch.setattr("armsim.report.drawing.save_figure", blank_figure)
    path = small(tmp_path, 128)
    arguments = {"joints.j1.mastering": "9 arcsec"}
    session = Session(Inputs.read(path, CATALOGUE if with_catalogue else None, arguments), RunOptions(2))
    session.begin()
    session.apply({"joints.j2.mounting": {"eccentricity": "40 um"}})
    if with_catalogue:
        session.apply(encoder_change(Choices.of(session), "j3", "disc 35 512"))
        complete_snapshot(session)
    session.write_note("to be told at the review")
    session.start_job("review", background_jobs.review)
    session.apply({"joints.j2.mounting.eccentricity": "1 um"})
    job = finished(session)
    session.end()
    assert not job.error
    with zipfile.ZipFile(io.BytesIO(job.result.content)) as packed:
        packed.extractall(tmp_path)
    title = json.loads((tmp_path / "review" / "results.json").read_text())["scenario"]
    assert title.endswith(job.job_input.name)
    assert "to be told at the review" in (tmp_path / "review" / "report.html").read_text()
    process = invoke("run", "--reproduce", tmp_path / "review" / "manifest.json", "--out", tmp_path / "again")
    assert process.returncode in (0, 1, 4), process.stderr
    assert "the same to the bit" in process.stderr


def test_the_search_knows_what_is_fitted_now(session: Session) -> None:
    """Its options are made of the joints of the design, not of the file; source: the study itself."""
    session.apply({"joints.j6.mastering": "41 arcsec"})
    options: list[Any] = []

    def job(job_input: JobInput, run_options: RunOptions) -> None:
        assert job_input.catalogue is not None
        options.append(options_for(job_input.study.scenario, job_input.catalogue)[1])

    session.start_job("options", job)
    finished(session)
    assert {option.joint.mastering for option in options[0].joints[5]} == {
        session.current.scenario.machine.joints[5].mastering
    }


def test_the_cheapest_is_taken_and_pins_are_compared(session: Session) -> None:
    session.start_job("find cheapest", background_jobs.cheapest)
    actual = finished(session).result
    assert actual.design is not None
    session.pin()
    machine = session.current.scenario.machine
    session.apply(chosen_changes(session, machine, actual.closest))
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
    session.unpin(session.pinned[-1].key)
    session.unpin(session.pinned[-1].key)
    session.set_design(session.pinned[0].step.design)
    session.start_job("comparison", background_jobs.compare_pins)
    comparison = finished(session).result
    assert {row.scenario for row in comparison.differences} == {"p2"}
    *maps, difference = charts_of(comparison, session, charts.Theme.of(False))
    scales = {
        (heat["zmin"], heat["zmax"])
        for chart in maps
        for heat in chart["data"]
        if "hoverongaps" in heat and "zmin" in heat
    }
    assert len(maps) == 2
    assert len(scales) == 1  # one scale of colours
    assert difference["layout"]["title"]["text"] == "side view: p2 less p1"
    session.start_job("arms", background_jobs.whole_result)
    result = finished(session).result
    assert len(list(charts_of(result, session, charts.Theme.of(True)))) == len(result.tasks)
    for task in result.tasks:
        bars = arms_chart(result, task, charts.Theme.of(True))["data"][0]
        assert sum(bars["customdata"]) == pytest.approx(100.0 * task.yield_curve.largest)
        # areas are shares of arms, in bins of the common width of the figure in the documents
        common_width = sum(bars["width"]) / BINS
        assert np.multiply(bars["y"], bars["width"]) == pytest.approx(common_width * np.array(bars["customdata"]))
        limit = 1e6 * result.requirement.position
        below = sum(share for x, share in zip(bars["x"], bars["customdata"], strict=True) if x < limit)
        assert below / 100.0 == pytest.approx(np.interp(limit / 1e6, task.yield_curve.position, task.yield_curve.share))
    assert session.design == session.pinned[0].step.design


def test_an_open_answer_is_resolved_with_more_arms(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page offers it for the answer of the design that is shown, once; source: `select --resolve`, by the API."""
    monkeypatch.setattr(resolving, "MOST_UNITS_FACTOR", 2)
    session.apply({"requirement.position": "160 um", "sampling.units": 64})
    session.start_job("find cheapest", background_jobs.cheapest)
    open_job = finished(session)
    assert open_job.result.state == "not resolved"
    assert can_be_resolved(open_job, open_job.result, session.design.key)
    assert not can_be_resolved(open_job, open_job.result, "another design")
    session.start_job("find cheapest, resolved", background_jobs.cheapest_resolved)
    job = finished(session)
    assert [attempt.units for attempt in job.result.attempts] == [64, 128]
    assert not can_be_resolved(job, job.result, session.design.key)


# --- faults and files ------------------------------------------------------------------------------------------------


def test_a_fault_of_one_design_leaves_the_next_one_answered(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the answers raise is told beside their design; a running job keeps its result."""
    complete_snapshot(session)
    gate = threading.Event()
    session.start_job("question", lambda job_input, options: gate.wait(HANG))
    with monkeypatch.context() as patch:
        patch.setattr("armsim.study.judge_all", lambda *parts: 1 / 0)
        session.apply({"joints.j1.mastering": "9 arcsec"})
        until(lambda: session.fault)
    assert "division" in session.fault
    assert "division" in view_model.stage(session.snapshot, session.fault)
    session.apply({"joints.j1.mastering": "10 arcsec"})
    assert complete_snapshot(session).key == session.design.key
    assert not session.fault
    gate.set()
    assert finished(session).result is True


def test_what_cannot_be_saved_is_told_and_leaves_nothing(
    session: Session, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "mine.yaml").write_text("kind: other\n")

    def full(file: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(saving.os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        saving.save(session, "mine.yaml", True)
    assert (tmp_path / "mine.yaml").read_text() == "kind: other\n"
    assert {file.name for file in tmp_path.iterdir()} == {"cell.yaml", "mine.yaml"}


def test_files_that_change_on_disk_are_told(tmp_path: Path) -> None:
    """Going on keeps to what was read; saving and the command refuse; reading again takes the new files."""
    encoder = tmp_path / "disc.yaml"
    shutil.copy(ROOT / "configs" / "encoders" / "disc-28.yaml", encoder)
    session = Session(Inputs.read(small(tmp_path), changes={"joints.j1.encoder": "disc.yaml"}), RunOptions(2))
    session.begin()
    before = complete_snapshot(session).answer.assessed_tasks[0].summary.p95
    assert session.changed_files == ()
    data = yaml.safe_load(encoder.read_text())
    encoder.write_text(yaml.safe_dump({**data, "graduation_error": "100 arcsec"}))
    assert session.changed_files == (encoder,)
    for refused in (lambda: saving.command(session), lambda: saving.save(session, "mine.yaml")):
        with pytest.raises(InputError, match="changed on disk"):
            refused()
    assert not (tmp_path / "mine.yaml").exists()
    session.apply({"joints.j2.mastering": "9 arcsec"})
    session.apply({"joints.j2.mastering": session.study.scenario.sources[0].data["joints"]["j2"].get("mastering")})
    assert complete_snapshot(session).answer.assessed_tasks[0].summary.p95 == before
    session.start_job("reading again", partial(background_jobs.read_again, session))
    assert not finished(session).error
    assert complete_snapshot(session).answer.assessed_tasks[0].summary.p95 != before
    assert session.changed_files == ()
    assert saving.save(session, "mine.yaml").exists()
    encoder.unlink()
    assert session.changed_files == (encoder,)
    session.start_job("reading again", partial(background_jobs.read_again, session))
    assert "disc.yaml" in finished(session).error
    assert complete_snapshot(session)
    session.end()


def test_first_order_first_then_arms_that_grow(session: Session) -> None:
    stages: list[str] = []
    session.on_change = lambda: stages.append(view_model.stage(session.snapshot, session.fault))
    session.apply({"joints.j4.mounting.eccentricity": "3 um"})
    snapshot = complete_snapshot(session)
    assert stages[0] == "working…"
    assert stages[1].startswith("first order")
    assert view_model.stage(snapshot, "") == "300 arms sampled"
    assert view_model.verdict(snapshot)[0].startswith(("met: ", "not met: ", "not resolved: "))


def test_a_pose_and_the_pins_are_frames(session: Session) -> None:
    """Lengths at a pose with one unit and number of decimals; a pin with the verdict and price of its design."""
    snapshot = complete_snapshot(session)
    frame = view_model.pose_frame(snapshot, 0, 1)
    assert frame.title == session.poses[0].names[1]
    texts = {name.text: value.text for name, value in frame.rows}
    lengths = [texts[name].split() for name in (view_model.AP, "RP, 95 % of arms")]
    assert {unit for _, unit in lengths} == {"µm"}
    assert len({len(number.partition(".")[2]) for number, _ in lengths}) == 1
    table = snapshot.answer.tables[0]
    assert float(lengths[0][0]) == pytest.approx(1e6 * table.column("accuracy.p95")[1], rel=5e-3)
    session.pin("first")
    design, requirement, price = view_model.pins_frame(session.pinned, session.design.key).columns
    assert design.values == ("first ●",)
    assert requirement.values[0] == view_model.verdict(snapshot)[0]
    assert price.with_units == [f"{snapshot.study.scenario.machine.price:g} cost units"]


def test_charts_of_every_kind_of_task() -> None:
    """Plain JSON of as many values as there are poses, whatever the task."""
    study = armsim.load(ROOT / "scenarios" / "every-task.yaml").with_plan(units=128, visits=3)
    session = Session(Inputs(study), RunOptions(2))
    session.begin()
    snapshot = complete_snapshot(session)
    look, settings = charts.Theme.of(False), defaultdict[str | None, set[str]](set)
    for n, poses in enumerate(session.poses):
        for measure in ("95 % of errors", "RP, 95 % of arms", "share of base", "orientation, 95 %"):
            values = view_model.values(snapshot, n, measure)
            assert len(values.values) == len(poses.names)
            chart = charts.over_poses(poses, values, snapshot.answer.tables[n].column("conditioning"), 0, look)
            json.dumps(chart, allow_nan=False)
            settings[poses.grid and str(poses.grid.centres[:2])].add(json.dumps(chart["config"]))
            assert [len(row) for row in chart["table"].rows] == [len(chart["table"].header)] * len(chart["table"].rows)
        json.dumps(charts.contributions(view_model.shares(snapshot, n, None), look), allow_nan=False)
        assert sum(share for _, _, share in view_model.shares(snapshot, n, 0)) == pytest.approx(1.0, abs=0.02)
        posture = view_model.posture(snapshot, poses, n, view_model.worst_pose(snapshot, n))
        assert np.linalg.det(posture.directions) == pytest.approx(1.0)
        view = points_in_view(study.scenario.machine.arm, poses)
        assert (view.min(axis=0) <= posture.points.min(axis=0) + 1e-9).all()
        assert (view.max(axis=0) >= posture.points.max(axis=0) - 1e-9).all()
        tool_points = np.asarray(snapshot.answer.tables[n].column("position"))
        for layer in (0, 1):
            in_space = space_map(poses, values, tool_points, layer)
            if in_space.corners is None:
                assert np.nanmin(in_space.relative) == 0.0
                continue
            index, _ = cells_of(poses, values.values, layer)
            rows, columns = in_space.relative.shape
            corner, right, up = in_space.corners[0, 0], in_space.corners[0, 1], in_space.corners[1, 0]
            for row, column in np.argwhere(index >= 0):
                centre = corner + (column + 0.5) / columns * (right - corner) + (row + 0.5) / rows * (up - corner)
                assert centre == pytest.approx(tool_points[index[row, column]], abs=1e-6)
    session.end()
    assert {len(of_extent) for of_extent in settings.values()} == {1}
    assert len(set.union(*settings.values())) == len(settings)  # maps of other extents are plotted anew: see `charts`


def luminance(colour: str) -> float:
    """Relative luminance; source: WCAG 2.2, definition of relative luminance."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio; source: WCAG 2.2, definition of contrast ratio."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_texts_and_marks_are_told_from_what_is_behind_them() -> None:
    """Source: WCAG 2.2, 1.4.3 (4.5 for text) and 1.4.11 (3 for marks)."""
    pairs = [(colour, stylesheet.LIGHT) for colour in stylesheet.ON_PAGE.values()]
    pairs += [(colour, stylesheet.DARK) for colour in stylesheet.ON_DARK_PAGE.values()]
    pairs += [*stylesheet.BADGES.values(), ("#ffffff", stylesheet.PRIMARY)]
    pairs += [(stylesheet.PRIMARY, stylesheet.LIGHT), (stylesheet.DARK_PRIMARY, stylesheet.DARK)]
    assert min(contrast(*pair) for pair in pairs) >= 4.5
    for dark, page in ((False, stylesheet.LIGHT), (True, stylesheet.DARK)):
        theme = charts.Theme.of(dark)
        assert contrast(theme.ink, page) >= 4.5
        assert min(contrast(colour, page) for colour in (theme.limit, charts.BASE)) >= 3.0
        parts = (scene.LINK, scene.JOINT, scene.ELLIPSOID)
        assert min(contrast(colour, scene.BACKGROUNDS[dark]) for colour in parts) >= 2.4  # wide parts, shaded by light
    for _, colour in get_colorscale(charts.SCALE):
        for marks in charts.MARKS.values():
            assert max(contrast(mark, colour) for mark in marks) >= 3.0


# --- who may speak to the page ---------------------------------------------------------------------------------------


def request(headers: dict[str, str], query: str = "", kind: str = "http") -> tuple[list[dict[str, Any]], bool]:
    """What the guard sends, and whether the request came through."""
    sent: list[dict[str, Any]] = []
    through = []

    async def inner(scope: Any, receive: Any, send: Any) -> None:
        through.append(True)
        if kind == "http":
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
        ({**HOST, "cookie": "armsim-8000=secret"}, "", "http", True),
        ({**HOST, "cookie": "armsim-8000=secret", "origin": "http://127.0.0.1:8000"}, "", "websocket", True),
        # whatever other pages of this machine have stored
        ({**HOST, "cookie": 'other={"a":1}; armsim-8000=secret; =;; x'}, "", "http", True),
        ({**HOST, "cookie": "armsim-9000=other; armsim-8000=secret"}, "", "websocket", True),
        ({**HOST, "cookie": "armsim-9000=secret"}, "", "http", False),
        ({**HOST, "cookie": "armsim=secret"}, "", "http", False),
        (HOST, "", "http", False),
        (HOST, "token=other", "http", False),
        ({"host": "evil.example:8000"}, "token=secret", "http", False),
        ({"host": "127.0.0.1:9000"}, "token=secret", "http", False),
        ({}, "token=secret", "http", False),
        ({**HOST, "origin": "http://evil.example"}, "token=secret", "http", False),
        ({**HOST, "cookie": "armsim-8000=secret", "origin": "http://evil.example"}, "", "websocket", False),
        ({**HOST, "cookie": "armsim-8000=wrong"}, "", "websocket", False),
        (HOST, "token=secret", "websocket", False),
    ],
)
def test_hosts_origins_and_tokens(headers: dict[str, str], query: str, kind: str, allowed: bool) -> None:
    sent, through = request(headers, query, kind)
    assert through == (allowed and not query)
    if not allowed:
        assert sent[0].get("status", 403) == 403
        assert sent[0]["type"] in ("http.response.start", "websocket.close")
        return
    if kind == "websocket":
        return
    response = dict(sent[0]["headers"])
    assert b"default-src 'self'" in response[b"content-security-policy"]
    if query:  # the token leaves the address
        assert (sent[0]["status"], response[b"location"]) == (303, b"/")
        assert response[b"set-cookie"] == b"armsim-8000=secret; HttpOnly; SameSite=Strict; Path=/"


def test_the_token_is_on_no_command_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """All users can read the words that a browser is started with; the page that leads on is for this user alone."""
    from armsim.explorer.serve import private_page

    page = private_page("http://127.0.0.1:8000/?token=secret")
    try:
        assert "secret" not in str(page)
        assert "http://127.0.0.1:8000/?token=secret" in page.read_text()
        assert os.name != "posix" or page.stat().st_mode & 0o077 == 0
    finally:
        page.unlink()


def test_a_port_that_is_taken_is_told_before_anything_else(tmp_path: Path) -> None:
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen()
        port = server.getsockname()[1]
        process = invoke("explore", small(tmp_path), "--no-browser", "--port", port)
    assert process.returncode == 2
    assert process.stderr.startswith(f"error: command line: --port: {port} cannot be served: address already in use")
    assert len(process.stderr.splitlines()) == 1


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
