"""One share for every joint and cause, what all arms share included; what is gained without one, against runs."""

from __future__ import annotations

import csv
import html
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support import ROOT, few_arms_of_sensitivities, invoke

import armsim
from armsim import figures
from armsim.decide import Sensitivities, sensitivities
from armsim.decide.what_if import what_if
from armsim.explorer import view_model
from armsim.formatting import percent
from armsim.model.machine import Change
from armsim.report.pictures import Extras
from armsim.report.recommendations import advice, one_cause_at_a_time
from armsim.report.run_review import shares_frame
from armsim.report.verdict import deciding_task
from armsim.results import Result
from armsim.run_options import RunOptions
from armsim.study import Study

TRACK = ROOT / "scenarios" / "track-cell.yaml"


@pytest.fixture(scope="module")
def study() -> Study:
    return armsim.load(TRACK).with_plan(units=2000, visits=4)


@pytest.fixture(scope="module")
def result(study: Study) -> Result:
    return study.run(1)


def without(study: Study, joint: str | None, cause: str | None, factor: float) -> Result:
    machine = study.scenario.machine
    change = Change(factor, joint, next((term.cause for term in machine.terms if term.cause.name == cause), None))
    assert cause is None or change.cause is not None
    return study.with_scenario(machine=replace(machine, changes=(*machine.changes, change))).run(1)


@pytest.mark.parametrize("factor", [0.0, 0.5])
@pytest.mark.parametrize(
    ("joint", "cause"),
    [("j2", "wind-up"), ("j3", "wind-up"), ("j4", "wind-up"), ("j2", None), (None, "wind-up"), (None, "temperature"),
     ("j1", "gear kinematic error")],
)  # fmt: skip
def test_what_is_left_without_a_part_is_what_a_run_samples(
    study: Study, result: Result, joint: str | None, cause: str | None, factor: float
) -> None:
    """A run of the machine with the part taken away, or halved, which draws the same numbers for the rest. Means of the
    wind-up of several joints work together here, and one against the others."""
    task = deciding_task(result)
    at = task.poses.names.index(task.summary.worst_pose)
    change = task.poses.rms_without(at, joint, cause, factor) - float(task.column("first_order.rms")[at])
    after = float(without(study, joint, cause, factor).task(task.name).column("error.rms")[at])
    sampled = after - float(task.column("error.rms")[at])
    # a mean square over 2000 units of what is drawn scatters by up to 5 % in two standard deviations; second order, 1e-3
    assert change == pytest.approx(sampled, rel=0.06, abs=2e-3 * after)


def test_the_first_page_recommends_what_gains_most(study: Study, result: Result) -> None:
    """By a sampled what-if of every cause at one joint, halved: the first that is advised is the first there."""
    best = min((row for row in what_if(study, RunOptions(1)).rows_of(deciding_task(result).name) if row.kind == "cause at a joint halved"),
               key=lambda row: row.at_coverage.value)  # fmt: skip
    first = advice(result, Extras())[0]
    assert best.what == "wind-up at j2"
    assert first.startswith("Without the wind-up of j2 the rms error at the worst pose would fall by ")
    fall = float(re.search(r"would fall by ([\d.]+) µm", first)[1])  # type: ignore[index]
    task = deciding_task(result)
    at = task.poses.names.index(task.summary.worst_pose)
    ran = without(study, "j2", "wind-up", 0.0).task(task.name).column("error.rms")[at]
    assert fall == pytest.approx(1e6 * float(task.column("error.rms")[at] - ran), rel=0.06)


def test_the_first_page_has_the_first_rows_of_the_recommendations(result: Result) -> None:
    """One ranking: the same causes in the same order, with the same digits."""
    table = one_cause_at_a_time(result)
    for text, row in zip(advice(result, Extras()), table.rows, strict=False):
        joint, cause, *_, change = (cell.text for cell in row)
        named = f"the {cause} of {joint}" if joint in result.joints else f"the errors by {cause}"  # "links" is no joint
        assert text.startswith(f"Without {named} the rms error ")
        assert f"by {change.lstrip('+-')} " in text


def by_hand(result: Result, task: str, joint: str | None, cause: str | None, pose: str | None) -> float:
    """A share as results.json has it: of the scatter, and of the bias by what makes it, summed here."""
    total = square = 0.0
    for row in result.task(task).poses:
        if pose in (None, row.name):
            weight = row.first_order.rms**2
            square += weight
            for parts in (row.shares, row.bias_shares):
                for owner, causes in parts.items():
                    for name, share in causes.items():
                        if owner != "bias" and joint in (None, owner) and cause in (None, name):
                            total += weight * share
    return total / square


def few_sampled(study: Study) -> Sensitivities:
    """Sensitivities whose changes, which no share needs, are those of few arms."""
    with few_arms_of_sensitivities():
        return sensitivities(study, RunOptions(1))


def test_all_places_show_the_same_share(study: Study, result: Result, tmp_path: Path) -> None:
    """Page, figure, tables, terminal, sensitivities and page in the browser: the share of a cause over a task, and of a
    joint at its worst pose."""
    task = deciding_task(result)
    wind_up = by_hand(result, task.name, None, "wind-up", None)
    j2 = by_hand(result, task.name, "j2", None, task.summary.worst_pose)
    both = by_hand(result, task.name, "j2", "wind-up", task.summary.worst_pose)
    assert wind_up > 0.4  # of which scatter alone is some 10 %
    assert task.summary.causes["wind-up"] == pytest.approx(wind_up)
    assert sum(task.summary.causes.values()) == pytest.approx(1.0)
    assert sum(task.summary.groups.values()) == pytest.approx(1.0)

    process = invoke("run", TRACK, "--units", "2000", "--visits", "4", "--out", tmp_path / "out")
    assert process.returncode in (0, 1), process.stderr
    page = html.unescape(re.sub(r"<[^>]+>", " ", (tmp_path / "out" / "report.html").read_text()))
    page = re.sub(r"\s+", " ", page)
    assert f"Largest parts of the mean square error over {task.name}: wind-up {percent(wind_up, 2)}, " in page
    assert f"j2 has the largest share, {percent(j2, 2)}" in page
    assert re.search(rf"joint j2 {100 * j2:.1f} ", page)
    group = max(task.summary.groups, key=lambda name: task.summary.groups[name])
    assert f"{group} {percent(task.summary.groups[group], 2)}" in process.stdout

    (axes, *_) = figures.error_budget(result, task).axes
    legend = [text.get_text() for text in axes.get_legend().get_texts()]
    assert f"wind-up ({percent(wind_up, 2)})" in legend
    assert f"wind-up makes {percent(wind_up, 2)}" in " ".join(axes.get_title("left").split())
    table = {str(row[0].text): row[1].text for row in shares_frame({task.name: task.summary}).rows}
    assert table["wind-up"] == f"{100 * wind_up:.1f}"

    with (tmp_path / "out" / "tables" / "shares.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["task"] == task.name]
    shares = [float(row["share of mean square error [1]"]) for row in rows if row["pose"] == task.summary.worst_pose
              and row["owner"] == "j2"]  # fmt: skip
    assert sum(shares) == pytest.approx(j2)

    parts = {(part.joint, part.cause): part for part in few_sampled(study).cause_shares_of(task.name)}
    assert parts["j2", "wind-up"].worst == pytest.approx(both)
    assert sum(part.over_task for part in parts.values() if part.cause == "wind-up") == pytest.approx(wind_up)

    number = [item.name for item in result.tasks].index(task.name)
    display = SimpleShown(study, result)
    browser = view_model.shares(display, number, task.poses.names.index(task.summary.worst_pose))  # type: ignore[arg-type]
    assert {(owner, cause): share for owner, cause, share in browser}["j2", "wind-up"] == pytest.approx(both)
    over = view_model.shares(display, number, None)  # type: ignore[arg-type]
    assert sum(share for _, cause, share in over if cause == "wind-up") == pytest.approx(wind_up, abs=1e-3)
    values = view_model.values(display, number, "share of j2").values  # type: ignore[arg-type]
    assert np.asarray(values)[task.poses.names.index(task.summary.worst_pose)] == pytest.approx(100.0 * j2)


class SimpleShown:
    """What the page in the browser reads of an answer."""

    def __init__(self, study: Study, result: Result) -> None:
        self.study = study
        self.answer = Answered(result)


class Answered:
    def __init__(self, result: Result) -> None:
        self.tables = [task.poses for task in result.tasks]
        self.units = result.units
