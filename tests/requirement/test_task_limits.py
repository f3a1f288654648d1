"""Limits of single tasks, and the criteria of paths, against simulations that share nothing with the product."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path as File

import numpy as np
import pytest
import yaml
from support import ROOT, invoke, normal_joint, planar_arm

import armsim
from armsim import figures
from armsim.decide import allocate, select
from armsim.decide.program import Choice
from armsim.documents.load import load_options
from armsim.errormodel.distributions import Distribution
from armsim.errors import InputError
from armsim.model.machine import Machine
from armsim.requirement.requirement import Requirement, TaskLimits
from armsim.run_options import RunOptions
from armsim.sampling_plan import SamplingPlan
from armsim.scenario import Scenario
from armsim.study import Study
from armsim.tasks import NamedPose, Path, Poses, Waypoint

UNIT, VISIT = 2e-4, 5e-5
"""Standard deviations of the zero of a joint from arm to arm, and of its reading from visit to visit. [rad]"""
LENGTHS = (0.4, 0.3)
CATALOGUE = ROOT / "configs" / "catalogues" / "discs.yaml"
DEMO = ROOT / "scenarios" / "bonding-cell.yaml"


def followed(requirement: Requirement | None, units: int = 4000) -> Study:
    """A line along x, followed by two joints in a plane."""
    joints = tuple(replace(normal_joint(f"j{n}", VISIT), mastering=Distribution("normal", UNIT)) for n in (1, 2))
    line = Path("line", 0.02, 0.1, (Waypoint((0.35, 0.2, 0.0)), Waypoint((0.55, 0.2, 0.0))))
    spot = Poses("spot", (NamedPose("bent", (0.3, 0.8)),))
    plan = SamplingPlan(units, 4, 3)
    return Study(Scenario("followed", Machine(planar_arm(*LENGTHS), joints), (line, spot), plan, requirement, ()))


def across(joints: np.ndarray) -> np.ndarray:
    """How far the tool point moves across the line, along y, by an error of either joint: plane geometry. [m/rad]"""
    first, both = joints[:, 0], joints.sum(axis=1)
    outer = LENGTHS[1] * np.cos(both)
    return np.stack([LENGTHS[0] * np.cos(first) + outer, outer], axis=1)


def test_path_accuracy_and_repeatability_are_those_of_simulated_arms() -> None:
    """AT: largest mean distance of an arm across the line; RT: mean + 3 s of the distances of its visits, half-normal.

    Source: ISO 9283:1998, 8.2 and 8.3 (from memory), simulated here by plane geometry.
    """
    limits = Requirement(1.0, path_accuracy=1.0, path_repeatability=1.0, yield_=0.8)
    line, spot = followed(limits).run(1).tasks
    levers = across(np.array([pose.joints for pose in line.poses]))
    zeros = np.random.default_rng(11).normal(0.0, UNIT, (200_000, 2))
    accuracy = np.abs(zeros @ levers.T).max(axis=1)
    of_path = line.summary.judgement("path accuracy")
    assert of_path is not None
    assert of_path.value == pytest.approx(float(np.quantile(accuracy, 0.8)), rel=0.03)  # 4000 arms: 1.5 % of one sigma
    scatter = float(np.sqrt(np.sum(levers**2, axis=1)).max()) * VISIT
    repeats = line.summary.judgement("path repeatability")
    assert repeats is not None
    mean, std = math.sqrt(2 / math.pi), math.sqrt(1 - 2 / math.pi)
    assert repeats.value == pytest.approx(scatter * (mean + 3 * std), rel=2e-3)
    assert spot.summary.judgement("path accuracy") is None
    assert "AT of 80 % of arms" in of_path.statistic


def test_arms_that_leave_the_path_do_not_count_for_its_yield() -> None:
    """Source: the simulated arms of the test before; binomial bounds of 4000 arms."""
    zeros = np.random.default_rng(12).normal(0.0, UNIT, (200_000, 2))
    bare, _ = followed(None, 200).run(1).tasks
    accuracy = np.abs(zeros @ across(np.array([pose.joints for pose in bare.poses])).T).max(axis=1)
    limit = float(np.quantile(accuracy, 0.6))
    line, spot = followed(Requirement(1.0, path_accuracy=limit)).run(1).tasks
    assert line.summary.yield_ is not None
    assert line.summary.yield_.value == pytest.approx(0.6, abs=4 * math.sqrt(0.24 / 4000))
    lost = line.summary.judgement("yield")
    assert lost is not None
    assert lost.cause.startswith("AT above ")
    assert spot.summary.yield_ is not None
    assert spot.summary.yield_.value == 1.0


def test_a_task_is_judged_by_its_own_limits() -> None:
    """As if the whole scenario required them: the same judgements. Brute force: the scenario run twice."""
    task_limits = TaskLimits(position=30e-6, yield_=0.7, path_accuracy=40e-6)
    full = Requirement(1.0, 0.9, repeatability=1e-3, tasks={"line": task_limits})
    result = followed(full).run(1)
    line, spot = result.tasks
    alone = followed(Requirement(30e-6, 0.9, 1e-3, 0.7, path_accuracy=40e-6)).run(1).tasks[0]
    assert [(j.criterion, j.value, j.limit, j.state) for j in line.summary.judgements] == [
        (j.criterion, j.value, j.limit, j.state) for j in alone.summary.judgements
    ]
    assert line.summary.yield_ == alone.summary.yield_
    assert line.yield_curve == alone.yield_curve
    assert (line.summary.state, spot.summary.state, result.state) == ("not met", "met", "not met")
    again = type(result).from_json(result.to_json())
    assert again.requirement == full


@pytest.mark.parametrize(
    ("key", "stated_value", "what"),
    [
        ("tasks.side view.requirement", "{}", "no limit"),
        ("tasks.side view.requirement", "{coverage: 99 %}", "unknown key"),
        ("tasks.side view.requirement", "{position: -1 mm}", "-1 mm"),
        ("tasks.side view.requirement", "{path_accuracy: 1 mm}", "of a task that is not a path"),
        ("requirement", "{position: 1 mm, path_accuracy: 1 mm}", "without a task that is a path"),
    ],
)
def test_a_limit_that_makes_no_sense_is_refused(key: str, stated_value: str, what: str) -> None:
    process = invoke("check", DEMO, "--set", f"{key}={stated_value}")
    assert process.returncode == 2, process.stdout
    assert what in process.stderr


def test_a_task_states_its_own_beside_a_requirement(tmp_path: File) -> None:
    """Without a requirement of the scenario there is nothing in whose place it stands."""
    data = yaml.safe_load(DEMO.read_text())
    del data["requirement"]
    data["tasks"][0]["requirement"] = {"position": "1 mm"}
    file = DEMO.with_name(".of-test.yaml")
    try:
        file.write_text(yaml.safe_dump(data))
        with pytest.raises(InputError, match="the scenario states no requirement"):
            armsim.load(file)
    finally:
        file.unlink()


def test_it_is_told_where_the_scenarios_is(tmp_path: File) -> None:
    """Terminal, page and table: the limit of the task, not that of the scenario."""
    process = invoke(
        "run", DEMO, "--set", "tasks.side view.requirement={position: 10 um}", "--units", 400, "--visits", 2,
        "--out", tmp_path / "r",
    )  # fmt: skip
    assert process.returncode == 1
    assert "10.0 µm required" in process.stdout
    page = (tmp_path / "r" / "report.html").read_text()
    assert "for side view 95 % of errors within 10.0 µm" in page
    result = armsim.read(tmp_path / "r" / "results.json")
    for number, limit in enumerate(("120 µm", "10.0 µm")):
        draws = figures.yield_curve(result, result.tasks[number])
        labels = [line.get_label() for axes in draws.axes for line in axes.lines]
        assert f"required {limit}" in labels


def test_budgets_keep_the_limits_of_every_task() -> None:
    """Two tasks of one arm in a plane, the tighter limit at the bent pose; sampled by hand with what is budgeted.

    Source: brute force in this test, 400 000 arms, the Jacobian by plane geometry.
    """
    poses = {"far": (0.2, 0.0), "near": (0.2, 2.0)}
    limits = {"far": 1e-4, "near": 2e-5}
    study = armsim.load(DEMO).with_scenario(
        tasks=tuple(Poses(name, (NamedPose("p", joints=q),)) for name, q in poses.items()),
        plan=SamplingPlan(20_000, 2, 3),
        machine=Machine(planar_arm(0.4, 0.3), tuple(normal_joint(f"j{n}", 1e-4) for n in (1, 2))),
        requirement=Requirement(1e-4, tasks={"near": TaskLimits(position=2e-5)}),
    )
    for budget in allocate(study, run_options=RunOptions(1)).budgets:
        draws = np.random.default_rng(5).normal(0.0, 1.0, (400_000, 2)) * np.array(list(budget.std.values()))
        loads = []
        for name, (first, second) in poses.items():
            outer = 0.3 * np.array([-math.sin(first + second), math.cos(first + second)])
            inner = outer + 0.4 * np.array([-math.sin(first), math.cos(first)])
            error = np.linalg.norm(draws[:, :1] * inner + draws[:, 1:] * outer, axis=1)
            loads.append(float(np.quantile(error, 0.95)) / limits[name])
        assert max(loads) == pytest.approx(1.0, abs=0.03)


def test_the_cheapest_set_keeps_the_limits_of_every_task() -> None:
    """Source: full enumeration, every design sampled, judged task by task with plain comparisons."""
    ready, options = load_options(DEMO, CATALOGUE, {"tasks.side view.step": "150 mm"})
    study = Study(ready).with_plan(units=120, visits=3)
    few = replace(options, joints=tuple(joint[:2] if n < 3 else joint[:1] for n, joint in enumerate(options.joints)))
    names = [task.name for task in study.scenario.tasks]
    loose = study.with_scenario(requirement=Requirement(1.0))
    pose_sets, rows = study.find(), []
    sizes = [range(len(joint)) for joint in few.joints]
    choices: list[Choice] = [
        tuple(int(x) for x in row) for row in np.stack(np.meshgrid(*sizes, indexing="ij"), -1).reshape(-1, len(sizes))
    ]
    for choice in choices:
        result_value = [joint[n] for joint, n in zip(few.joints, choice, strict=True)]
        machine = replace(study.scenario.machine, joints=tuple(option.joint for option in result_value))
        tasks, sampled = loose.with_scenario(machine=machine).judge(pose_sets, RunOptions(1))
        errors = [task.summary.at_coverage for task in tasks]
        rows.append(
            (
                sum(option.price for option in result_value),
                *errors,
                *(float(np.quantile(s.worst[0], 0.8, method="higher")) for s in sampled.tasks),
            )
        )
    table = np.array(rows)
    count = len(names)
    for number in range(count):
        # tight at one task, loose elsewhere
        limit = float(np.quantile(table[:, 1 + number], 0.4)) * 1.001
        expected = Requirement(1.0, tasks={names[number]: TaskLimits(position=limit)})
        answer = select(study.with_scenario(requirement=expected), few, RunOptions(1))
        met = table[:, 1 + number] <= limit
        assert answer.price == pytest.approx(float(table[met, 0].min()))
        limit = float(np.quantile(table[:, 1 + count + number], 0.4)) * 1.001
        limit = max(limit, 1.001 * float(table[:, 1 + number].min()))
        expected = Requirement(1.0, tasks={names[number]: TaskLimits(position=limit, yield_=0.8)})
        answer = select(study.with_scenario(requirement=expected), few, RunOptions(1))
        met = (table[:, 1 + count + number] <= limit) & (table[:, 1 + number] <= limit)
        assert answer.price == (pytest.approx(float(table[met, 0].min())) if met.any() else None)
