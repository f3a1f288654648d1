"""The verdict: what the arm has, whatever the visits and the grid; what a test prints; how sure it is; who makes the bias."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from pose_samples import mean_over_units, sample_at
from support import ROOT, normal_joint, normal_machine, planar_arm, published_arm

import armsim
from armsim.errormodel.distributions import Distribution
from armsim.errors import RunError
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine
from armsim.requirement.requirement import Requirement
from armsim.results.pose_table import PoseTable
from armsim.run_options import RunOptions
from armsim.sampling import sampler as engine
from armsim.sampling.first_order import linearise
from armsim.sampling.layout import GIB
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling.pose_statistics import centred_moments
from armsim.sampling_plan import NumericalTolerance, SamplingPlan
from armsim.study import Study
from armsim.tasks import Slice

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"


def study_of(step: float, visits: int, limit: float) -> Study:
    """The slice of the demo with cells of another size, RP limited, every arm to pass."""
    study = armsim.load(DEMO).with_plan(units=300, visits=visits)
    (task,) = (item for item in study.scenario.tasks if isinstance(item, Slice))
    requirement = Requirement(1.0, 0.95, limit, 0.99)
    return study.with_scenario(tasks=(replace(task, step=step),), requirement=requirement)


def test_the_yield_depends_on_neither_visits_nor_grid() -> None:
    """RP of the demo is below 33 um everywhere. From 30 visits it would be printed above that for every arm somewhere.

    Source: the law of the visits; 300 visits each at the worst pose of a coarse grid, by `simulate_test`.
    """
    limit, message = 33e-6, []
    for step, visits in ((0.12, 10), (0.12, 300), (0.06, 10)):
        (task,) = study_of(step, visits, limit).run(2).tasks
        assert task.summary.yield_ is not None
        message.append((task.summary.yield_.value, task.summary.repeatability_p95))
        assert task.summary.holds
    assert [value for value, _ in message] == [1.0] * 3
    # finer cells come closer to the largest RP there is; the visits change what is left of the integration
    assert message[0][1] == pytest.approx(message[1][1], rel=0.01)
    assert message[2][1] == pytest.approx(message[1][1], rel=0.05)


def test_a_test_of_few_cycles_prints_more_than_the_arm_has() -> None:
    """RP from n visits scatters by 0.63/sqrt(n) of itself (normal law on three axes, from memory) and its largest lies above."""
    (task,) = study_of(0.12, 10, 33e-6).run(2).tasks
    test = task.acceptance
    assert test is not None
    assert test.cycles == 30
    assert test.repeatability.p95 > 1.05 * task.summary.repeatability_p95
    assert test.good_rejected is not None
    assert test.passing is not None
    assert test.passing.value == pytest.approx(1.0 - test.good_rejected)  # all hold the requirement
    many = study_of(0.12, 10, 33e-6)
    many = many.with_scenario(requirement=replace(many.scenario.requirement, test_cycles=3000))
    (long,) = many.run(2).tasks
    assert long.acceptance.repeatability.p95 == pytest.approx(task.summary.repeatability_p95, rel=0.04)


def test_a_verdict_within_its_interval_is_not_sure() -> None:
    study = armsim.load(DEMO).with_plan(units=300, visits=5)
    (first, _) = study.scenario.tasks
    study = study.with_scenario(tasks=(first,))
    at = study.run(2).tasks[0].summary.at_coverage
    for position, sure in ((at * 1.005, False), (at * 0.995, False), (at * 1.5, True), (at * 0.5, True)):
        result = study.with_scenario(requirement=Requirement(position)).run(2)
        summary = result.tasks[0].summary
        assert summary.holds is (position > at)
        assert summary.state == ("not resolved" if not sure else "met" if position > at else "not met")
        assert result.state == summary.state
        assert summary.failed == (() if position > at else ("position",))
        assert any("is not resolved" in text for text in result.warnings) is not sure


def test_a_bias_far_above_the_scatter_costs_no_digits() -> None:
    """One joint a millimetre off and scattering by a nanometre: the variance is its square. Source: closed form."""
    arm = planar_arm(0.5)
    joint = replace(normal_joint("j1", 2e-9), mastering=Distribution("fixed", 2e-3))
    evaluated = Machine(arm, (joint,)).at([[0.0]])
    linear = linearise(evaluated)
    sample = sample_at(MachineAtPoses.prepare(evaluated, SamplingPlan(3000, 20, 1)), 0, linear)
    (mean,), (covariance,) = centred_moments(sample.sums[None, :9] / 60_000, linear.mean)
    assert covariance[1, 1] == pytest.approx((0.5 * 2e-9) ** 2, rel=4 / math.sqrt(2 * 60_000) + 1e-5)
    assert np.linalg.eigvalsh(covariance)[0] >= -1e-15 * covariance[1, 1]
    assert mean[1] == pytest.approx(0.5 * math.sin(2e-3), abs=5e-9 / math.sqrt(60_000))


def test_no_scatter_leaves_no_negative_variance() -> None:
    arm = planar_arm(0.5, 0.3)
    joints = tuple(replace(normal_joint(name, 1e-30), mastering=Distribution("fixed", 7e-3)) for name in arm.names)
    evaluated = Machine(arm, joints).at([[0.3, 0.4]])
    linear = linearise(evaluated)
    sample = sample_at(MachineAtPoses.prepare(evaluated, SamplingPlan(300, 5, 1)), 0, linear)
    _, (covariance,) = centred_moments(sample.sums[None, :9] / 1500, linear.mean)
    values = np.linalg.eigvalsh(covariance)
    assert values[0] >= -1e-20 * values[-1] - 1e-40
    assert np.sqrt(np.maximum(values, 0)).max() < 1e-9


def test_the_bias_is_given_to_the_joints_that_make_it() -> None:
    """Parts along the mean sum to its square; a term against it is negative. Source: vectors added by hand."""
    machine = normal_machine(planar_arm(0.4, 0.3), 1e-6, 1e-6)
    zeros = (2e-3, -5e-4)
    joints = tuple(replace(j, mastering=Distribution("fixed", z)) for j, z in zip(machine.joints, zeros, strict=True))
    machine = replace(machine, joints=joints)
    linear = linearise(machine.at([[0.0, 0.0]]))
    by_hand = np.array([0.7 * zeros[0], 0.3 * zeros[1]])  # both along y
    parts = {term.name: bias_part[0] for term, bias_part in zip(machine.terms, linear.bias_contributions, strict=True)}
    total = by_hand.sum() ** 2
    assert parts["j1/mastering"] == pytest.approx(by_hand[0] * by_hand.sum(), rel=1e-9)
    assert parts["j2/mastering"] == pytest.approx(by_hand[1] * by_hand.sum(), rel=1e-9)
    assert parts["j2/mastering"] < 0
    assert linear.bias_contributions.sum() == pytest.approx(total, rel=1e-9)


def test_bias_shares_sum_to_the_bias_at_every_pose() -> None:
    result = armsim.load(ROOT / "scenarios" / "track-cell.yaml").with_plan(units=50, visits=2).run(1)
    for pose in result.tasks[0].poses:
        parts = sum(x for bias_share in pose.bias_shares.values() for x in bias_share.values())
        assert parts == pytest.approx(pose.shares["bias"]["mean"], abs=1e-12)
    summary = result.tasks[0].summary
    assert sum(contribution.scatter + contribution.bias for contribution in summary.contributions) == pytest.approx(1.0)
    assert list(summary.contributions) == sorted(summary.contributions, key=lambda item: -item.share)


def test_an_adaptive_run_that_cannot_reach_its_tolerance_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    """At the largest number of units, which need be no multiple of a batch, and where the memory ends."""
    monkeypatch.setattr(engine, "MOST_UNITS", 25_000)
    machine = normal_machine(planar_arm(0.4, 0.3), 1e-4, 1e-4)
    configurations = [engine.TaskConfigurations("t", Configurations(np.array([[0.3, 0.5]])))]
    plan = SamplingPlan(1000, 3, 1, NumericalTolerance(1e-12))
    with engine.open_runner(machine, 0.95, RunOptions(1, GIB)) as place:
        sampled = place.run(plan, configurations)
    assert sampled.adaptive is not None
    assert not sampled.adaptive.reached
    assert sampled.spec.plan.units == 25_000 // sampled.adaptive.units_of_batch * sampled.adaptive.units_of_batch

    monkeypatch.setattr(engine, "MOST_UNITS", 100_000)
    choose_layout = engine.choose_layout

    def small(machine: Machine, plan: SamplingPlan, *others: object) -> object:
        if plan.units > 22_000:
            raise RunError("too large")
        return choose_layout(machine, plan, *others)  # type: ignore[arg-type]

    monkeypatch.setattr(engine, "choose_layout", small)
    with engine.open_runner(machine, 0.95, RunOptions(1, GIB)) as place:
        sampled = place.run(plan, configurations)
    assert sampled.adaptive is not None
    assert sampled.spec.plan.units <= 22_000


@pytest.mark.parametrize(("units", "power"), [(40, 2), (200, 4), (1000, 4), (100, 1)])
def test_the_interval_of_a_mean_square_covers(units: int, power: int) -> None:
    """Squares and fourth powers of normal numbers: 92 % or more of 2000 samples hold the mean. Source: known moments."""
    rng = np.random.default_rng(3)
    truth = {1: math.sqrt(2 / math.pi), 2: 1.0, 4: 3.0}[power]
    hits = 0
    for _ in range(2000):
        _, interval = mean_over_units(np.abs(rng.standard_normal(units)) ** power)
        assert interval is not None
        hits += interval[0] <= truth <= interval[1]
    assert hits / 2000 >= (0.92 if power == 4 and units < 1000 else 0.93)


def test_figures_of_a_pose_do_not_hang_on_the_chunk() -> None:
    """The same pose alone and among forty others: the same AP and RP to the bit."""
    arm, _ = published_arm("Puma560")
    machine = normal_machine(arm, *[1e-4] * 6)
    q = np.random.default_rng(0).uniform(-1, 1, (40, 6))
    paths = ("accuracy.p95", "repeatability.p95", "orientation_repeatability.p95")
    rows = []
    for workers in (1, 3):
        with engine.open_runner(machine, 0.95, RunOptions(workers, GIB)) as place:
            (task,) = place.run(SamplingPlan(300, 3, 1), [engine.TaskConfigurations("t", Configurations(q))]).tasks
        names = (*dict.fromkeys(t.share_name for t in machine.terms), ("bias", "mean"))
        table = PoseTable(("",) * 40, names, task.rows)
        rows.append([table.column(path) for path in paths])
    np.testing.assert_array_equal(*rows)
