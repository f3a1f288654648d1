"""Paired differences of every criterion: against two runs one by one, against brute force, and intervals that hold."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from support import ROOT, normal_joint, planar_arm

import armsim
from armsim.criteria import CRITERIA
from armsim.decide import compare, what_if
from armsim.decide.what_if import WhatIfs, hypothetical_changes
from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.model.encoder import Encoder, SecondTrack
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.motion import Motion
from armsim.model.mounting import Mounting
from armsim.report.what_if_review import joints_frame
from armsim.requirement.requirement import Requirement
from armsim.results import Result
from armsim.run_options import RunOptions
from armsim.sampling.operation_limits import margins
from armsim.sampling_plan import SamplingPlan
from armsim.scenario import Scenario
from armsim.study import Study
from armsim.tasks import NamedPose, Path, Poses

EVERY = Requirement(
    120e-6, 0.95, 40e-6, 0.8, orientation=1e-3, orientation_repeatability=1e-3, path_accuracy=1e-4,
    path_repeatability=4e-5,
)  # fmt: skip
ABROAD = {"reach"}
"""Criteria that are judged only where points are lost."""


def stations_and_path(units: int = 200) -> Study:
    """Two poses and a short path, with all that can be required of them."""
    study = armsim.load(ROOT / "scenarios" / "every-task.yaml").with_plan(units=units, visits=4)
    stations, bead = (next(t for t in study.scenario.tasks if t.name == name) for name in ("stations", "bead"))
    return study.with_scenario(tasks=(stations, replace(bead, step=0.02)), requirement=EVERY)


def finer(study: Study) -> Study:
    """The same with every encoder one bit finer and the zeros of half the scatter."""
    machine = next(
        machine for kind, what, machine in hypothetical_changes(study.scenario.machine) if kind == "cause halved"
    )
    return study.with_scenario(name="finer", machine=machine)


def judged(result: Result, task: str) -> dict[str, float]:
    return {judgement.criterion: judgement.value for judgement in result.task(task).summary.judgements}


def test_every_criterion_differs_by_what_two_runs_differ_by() -> None:
    """Values and states to the bit; Source: the two runs one by one."""
    first = stations_and_path()
    second = finer(first)
    comparison = compare([first, second], RunOptions(2))
    alone = [study.run(1) for study in (first, second)]
    names: set[str] = set()
    for row in comparison.differences:
        values = [judged(result, row.task) for result in alone]
        assert {change.criterion for change in row.criteria} == set(values[0])
        names |= set(values[0])
        for change in row.criteria:
            assert change.values == tuple(side[change.criterion] for side in values)
            summaries = [result.task(row.task).summary for result in alone]
            states = [summary.judgement(change.criterion).state for summary in summaries]  # type: ignore[union-attr]
            assert list(change.states) == states
            gap = values[1][change.criterion] - values[0][change.criterion]
            # what is below the digits of the values is told as 0
            assert change.change.value == pytest.approx(gap, abs=1e-6 * max(values[0][change.criterion], 1e-15))
            assert change.change.interval is not None
            assert change.change.interval[0] <= change.change.value <= change.change.interval[1]
    assert names == {criterion.name for criterion in CRITERIA} - ABROAD


def test_the_criterion_that_decides_stands_first() -> None:
    """An orientation that is beyond its limit, with all else kept: Source: the states of the run."""
    first = stations_and_path()
    strict = first.with_scenario(requirement=replace(EVERY, orientation=1e-5, yield_=None))
    for row in compare([strict, finer(strict)], RunOptions(2)).differences:
        assert row.criteria[0].criterion == "orientation"
        assert row.criteria[0].states[0] == "not met"
    plain = first.with_scenario(requirement=None)
    for row in compare([plain, finer(plain)], RunOptions(2)).differences:
        assert [change.criterion for change in row.criteria] == ["position", "repeatability"]
    table = what_if(strict, RunOptions(2))
    rows = table.rows_of("stations")
    assert rows[0].criteria[0].criterion == "orientation"
    assert [row.criteria[0].gain for row in rows] == sorted((row.criteria[0].gain for row in rows), reverse=True)


def test_a_what_if_gives_every_criterion_as_a_run_of_the_changed_machine() -> None:
    """Brute force: the changed machine sampled at every pose of every task, by the ordinary run."""
    study = stations_and_path(128)
    table = what_if(study, RunOptions(2))
    listed = [(kind, what, machine) for kind, what, machine in hypothetical_changes(study.scenario.machine)]
    for kind, what, machine in listed[::12]:
        result = study.with_scenario(machine=machine).run(1)
        for task in result.tasks:
            (row,) = [row for row in table.rows if (row.kind, row.what, row.task) == (kind, what, task.name)]
            after = judged(result, task.name)
            for change in row.criteria:
                assert change.values[1] == pytest.approx(after[change.criterion], rel=1e-12), (what, change.criterion)
                state = task.summary.judgement(change.criterion).state  # type: ignore[union-attr]
                assert change.states[1] == state


def test_a_task_is_compared_by_its_own_requirement() -> None:
    """A limit of one task changes what is judged there alone."""
    from armsim.requirement.requirement import TaskLimits

    first = stations_and_path()
    requirement = Requirement(120e-6, tasks={"stations": TaskLimits(orientation=1e-3)})
    first = first.with_scenario(requirement=requirement)
    rows = {
        row.task: {change.criterion for change in row.criteria} for row in compare([first, finer(first)]).differences
    }
    assert rows == {
        "stations": {"position", "repeatability", "orientation", "yield"},
        "bead": {"position", "repeatability", "yield"},
    }


def turning(name: str, eccentricity: float, track: float) -> Study:
    """A joint in motion, whose absolute reading slips where the second track is off by more than half of a period."""
    second = SecondTrack(8.5e-3, error=Distribution("uniform", track))
    encoder = Encoder("e", signal_periods=256, interpolation=24, track_radius=10e-3, absolute=second)
    mounting = Mounting(eccentricity=Magnitude(Distribution("uniform", eccentricity)))
    machine = Machine(planar_arm(0.4), (Joint("j1", encoder, mounting=mounting),))
    tasks = (Poses("t", (NamedPose("bent", (0.3,)),)),)
    scenario = Scenario(name, machine, tasks, SamplingPlan(1000, 2, 3), Requirement(1.0, velocity_ripple=1.0), ())
    return Study(scenario).with_scenario(motion=Motion(1e-3, speeds={"j1": 0.5}))


def test_a_what_if_tells_of_ripple_and_operation() -> None:
    """A cause halved is a design with half of it, by the same draws. Source: the run of that design.

    Half an eccentricity leaves a quarter of its second order, half its cause a half: they differ by (e/R)^2.
    """
    design = turning("first", 20e-6, 0.6)
    table = what_if(design, RunOptions(1))
    halved = {row.what: row for row in table.joints if row.kind == "cause halved"}
    assert set(halved) == {"eccentricity", "second track"}  # noise and quantisation change no digit of either
    for what, other, second_order in (
        ("eccentricity", turning("other", 10e-6, 0.6), (20e-6 / 10e-3) ** 2),
        ("second track", turning("other", 20e-6, 0.3), 0.0),
    ):
        (expected,) = compare([design, other], RunOptions(1)).joints
        rows = {change.criterion: change for change in halved[what].criteria}
        for change in expected.criteria:
            if change.change.value:
                at_most = second_order if change.criterion == "velocity ripple" else 0.0
                assert rows[change.criterion].values == pytest.approx(change.values, rel=at_most + 1e-12)
                assert rows[change.criterion].change.value == pytest.approx(change.change.value, rel=at_most + 1e-9)
            else:
                assert change.criterion not in rows
    (ideal,) = (row for row in table.joints if row.kind == "joint ideal")
    assert [change.values[1] for change in ideal.criteria] == [0.0, 1.0]
    frame = joints_frame(table)
    assert frame is not None
    assert {"ideal" in row[0].text for row in frame.rows} == {True, False}
    assert record_of(table)["joints"][0]["criteria"]


def record_of(table: WhatIfs) -> Any:
    return json.loads(json.dumps(table.to_dict(), allow_nan=False))


def test_joints_are_compared_by_ripple_and_operation() -> None:
    """Source: the judgements of two runs; units that slip, counted here; ripple in proportion to the eccentricity."""
    first, second = turning("first", 20e-6, 0.6), turning("second", 10e-6, 0.55)
    comparison = compare([first, second], RunOptions(1))
    alone = [study.run(1).judgements for study in (first, second)]
    (row,) = comparison.joints
    assert [(change.criterion, change.joint) for change in row.criteria] == [
        ("velocity ripple", "j1"),
        ("operation", "j1"),
    ]
    for n, change in enumerate(row.criteria):
        assert change.values == tuple(judgements[n].value for judgements in alone)
        assert change.states == tuple(judgements[n].state for judgements in alone)
        assert change.change.value == pytest.approx(change.values[1] - change.values[0], abs=1e-12)
        assert change.change.resolved
    slips = [margins(study.scenario.machine, study.scenario.plan, 0, 1000)[0][2] < 0.0 for study in (first, second)]
    assert row.criteria[1].change.value == pytest.approx(float(np.mean(slips[0]) - np.mean(slips[1])))
    waves = row.criteria[0]
    # half the limit of a uniform law halves every unit; the step of 32 bits gives next to no noise
    assert waves.change.value == pytest.approx(-0.5 * waves.values[0], rel=0.02)  # type: ignore[operator]
    record = comparison.to_dict()
    assert [change["criterion"] for change in record["joints"][0]["criteria"]] == ["velocity ripple", "operation"]
    assert [design["joints"][0]["criterion"] for design in record["designs"]] == ["velocity ripple"] * 2


UNIT, VISIT = 2e-4, 5e-5
"""Standard deviations of the zero of a joint from arm to arm, and of its reading from visit to visit. [rad]"""


def planar(name: str, task: Poses | Path, zeros: tuple[float, float], visit: float, requirement: Requirement) -> Study:
    """Two joints about one axis."""
    arm = planar_arm(0.4, 0.3)
    joints = tuple(
        replace(normal_joint(joint, visit), mastering=Distribution("normal", zero))
        for joint, zero in zip(arm.names, zeros, strict=True)
    )
    return Study(Scenario(name, Machine(arm, joints), (task,), SamplingPlan(300, 4, 0), requirement, ()))


REPETITIONS = 80
LEAST = 0.95 - 3 * math.sqrt(0.05 * 0.95 / REPETITIONS)
"""What 95 % intervals hold at least in all but one of 700 such tests. Source: binomial law."""


def check_coverage(first: Study, second: Study, criterion: str, truth: float) -> None:
    """Over seeds the intervals hold the truth, and the mean of the differences is the truth."""
    covered, values = 0, []
    for seed in range(REPETITIONS):
        (row,) = compare([first.with_plan(seed=seed), second.with_plan(seed=seed)], RunOptions(1)).differences
        change = next(change.change for change in row.criteria if change.criterion == criterion)
        assert change.interval is not None
        covered += change.interval[0] <= truth <= change.interval[1]
        values.append(change.value)
    assert covered / REPETITIONS >= LEAST
    assert np.mean(values) == pytest.approx(truth, abs=4 * float(np.std(values)) / math.sqrt(REPETITIONS))


def test_the_interval_of_the_orientation_holds_the_truth() -> None:
    """The angle is |N(0, 2 v^2 + u1^2 + u2^2)|, both joints about one axis. Source: closed form, 97.5 % point 1.959964."""
    task = Poses("t", (NamedPose("bent", (0.3, 0.8)),))
    requirement = Requirement(1.0, orientation=1.0)
    first = planar("first", task, (UNIT, UNIT), VISIT, requirement)
    second = planar("second", task, (UNIT, 0.5 * UNIT), VISIT, requirement)
    stds = [math.sqrt(2 * VISIT**2 + UNIT**2 + second_zero**2) for second_zero in (UNIT, 0.5 * UNIT)]
    truth = 1.959964 * (stds[1] - stds[0])
    check_coverage(first, second, "orientation", truth)


def tip(joints: np.ndarray) -> np.ndarray:
    """Place of the tool point, links of 0.4 m and 0.3 m: (2, ...). [m]"""
    angles = np.cumsum(joints, axis=0)
    return np.array(
        [sum(length * f(angle) for length, angle in zip((0.4, 0.3), angles, strict=True)) for f in (np.cos, np.sin)]
    )


def test_the_interval_of_the_path_accuracy_holds_the_truth() -> None:
    """AT of an arm is the largest distance of its points from the path, across it (ISO 9283:1998, 8.2). Source: brute
    force, exact kinematics of 10^6 arms by sines and cosines; the 95 % point is known to 0.1 %."""
    task = Path("p", 0.05, 0.1, joints=((0.0, 0.4), (0.3, 1.2)))
    requirement = Requirement(1.0, path_accuracy=1.0)
    zeros = (UNIT, UNIT), (UNIT, 0.5 * UNIT)
    first, second = (
        planar(name, task, row, 1e-7, requirement) for name, row in zip(("first", "second"), zeros, strict=True)
    )
    q = first.find()[0].configurations.joints
    normal = np.random.default_rng(8).standard_normal((2, 1_000_000))
    truths = []
    for row in zeros:
        errors, largest = normal * np.array(row)[:, None], np.zeros(normal.shape[1])
        for joints in q:
            tangent = tip(joints + 1e-6 * (q[-1] - q[0])) - tip(joints)  # straight in the joints
            gap = tip(joints[:, None] + errors) - tip(joints)[:, None]
            across = np.array([-tangent[1], tangent[0]]) / np.hypot(*tangent)
            np.maximum(largest, np.abs(across @ gap), out=largest)
        truths.append(np.quantile(largest, 0.95))
    check_coverage(first, second, "path accuracy", float(truths[1] - truths[0]))
