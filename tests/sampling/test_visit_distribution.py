"""What a unit has in the limit of infinitely many visits, against visits simulated one by one with another library's kinematics.

The simulation is numpy's random numbers through the forward kinematics of roboticstoolbox; it shares no code with what
it checks. Tolerances follow from the number of visits.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from spatialmath import SE3
from support import ROOT, published_arm

import armsim
from armsim.errormodel.distributions import NONE, Distribution
from armsim.model.encoder import Encoder, SheetSummary
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.transmission import Transmission
from armsim.sampling.first_order import linearise
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling.random_draws import draw_units
from armsim.sampling.statistics import pose_repeatability
from armsim.sampling.visit_distribution import VisitDistribution
from armsim.sampling.visit_integrals import nets
from armsim.sampling_plan import SamplingPlan

VISITS = 400_000
FIXED = Distribution("fixed", 1.0)


def joint(name: str, constant: float, noise: float, lost: float, rotary: bool = True) -> Joint:
    """Keeps a fixed error, scatters normally, and rests on either side of its lost motion. [rad or m]"""
    summary = SheetSummary(60.0 if rotary else 1e-17, repeatability=Distribution("normal", noise) if noise else NONE)
    box = Transmission(ratio=1.0, lost_motion=2 * lost)
    return Joint(
        name, Encoder("bare", "rotation" if rotary else "translation", summary=summary), placement="motor", transmission=box,
        mastering=Distribution("fixed", constant) if constant else None,
    )  # fmt: skip


CASES = {
    # noise alone, lost motion alone, both; errors kept that turn the Jacobian by parts in a hundred
    "noise": (3e-3, 1e-3, 0.0),
    "lost motion": (-4e-3, 0.0, 2e-3),
    "both": (5e-3, 1e-3, 1e-3),
}


@pytest.mark.parametrize("arm_name", ["Puma560", "Stanford", "LWR4"])
@pytest.mark.parametrize("case", CASES)
def test_a_unit_has_what_endless_visits_show(arm_name: str, case: str) -> None:
    """AP, RP and both of the orientation. Source: visits simulated one by one by roboticstoolbox."""
    arm, robot = published_arm(arm_name)
    robot.tool = SE3()  # the arm of the tests ends at the flange
    n, rng = len(arm.joints), np.random.default_rng(7)
    size, noise, lost = CASES[case]
    constant = size * rng.choice([-1.0, 1.0], n) * rng.uniform(0.3, 1.0, n)
    noises, losts = noise * rng.uniform(0.1, 1.0, n), lost * rng.uniform(0.1, 1.0, n)
    rotary = [item.revolute for item in arm.joints]
    machine = Machine(arm, tuple(joint(*row) for row in zip(arm.names, constant, noises, losts, rotary, strict=True)))
    q = rng.uniform(-1.2, 1.2, n)
    sampler = MachineAtPoses.prepare(machine.at(q), SamplingPlan(4000, 100, 3))
    distribution = sampler.visit_distribution()
    figures, barycentre = sampler.unit_statistics_at_pose(
        0, distribution, draw_units(machine.terms, sampler.plan, 0, 1), 1
    )

    draws = noises * rng.standard_normal((VISITS, n)) + losts * rng.choice([-1.0, 1.0], (VISITS, n))
    ets = robot.ets()
    nominal = np.asarray(ets.eval(q)).reshape(4, 4)
    attained = np.asarray(ets.eval(q + constant + draws))
    shifts = attained[:, :3, 3].T - nominal[:3, 3:]
    turned = Rotation.from_matrix(attained[:, :3, :3] @ nominal[:3, :3].T).as_rotvec().T

    scatter = np.sqrt(np.trace(np.cov(shifts)))
    near = 5 * scatter / math.sqrt(VISITS)  # five standard deviations of a mean
    assert barycentre[:, 0] == pytest.approx(shifts.mean(axis=1), abs=near + 0.05 * size**3)
    assert figures[0, 0] == pytest.approx(np.linalg.norm(shifts.mean(axis=1)), abs=near + 0.05 * size**3)
    rp = pose_repeatability(shifts)
    # RP of a normal distribution from n visits scatters by 0.63 RP / sqrt(n); second order of the errors kept is left out
    assert figures[1, 0] == pytest.approx(
        rp, rel=4 * 0.63 / math.sqrt(VISITS) + 4 * distribution.half_width[0] / rp + 2 * size**2
    )
    widest = 3 * math.sqrt(np.linalg.eigvalsh(np.cov(turned))[-1])
    assert figures[2, 0] == pytest.approx(np.linalg.norm(turned.mean(axis=1)), abs=0.02 * widest)
    assert figures[3, 0] == pytest.approx(widest, rel=5 / math.sqrt(VISITS) + 2 * size**2)


@pytest.mark.parametrize("arm_name", ["Puma560", "Stanford"])
def test_errors_kept_change_repeatability_as_they_turn_the_jacobian(arm_name: str) -> None:
    """Slope of RP on every axis. Source: the same draws with and without the error, central differences, roboticstoolbox."""
    arm, robot = published_arm(arm_name)
    n, rng = len(arm.joints), np.random.default_rng(3)
    noises, losts = 1e-5 * rng.uniform(0.1, 1.0, n), 1e-5 * rng.uniform(0.1, 1.0, n)
    rotary = [item.revolute for item in arm.joints]
    machine = Machine(arm, tuple(joint(*row) for row in zip(arm.names, [0.0] * n, noises, losts, rotary, strict=True)))
    q = rng.uniform(-1.2, 1.2, n)
    sampler = MachineAtPoses.prepare(machine.at(q), SamplingPlan(4000, 100, 3))
    distribution = sampler.visit_distribution()
    visits = VISITS // 4  # both sides of a difference have the same draws
    draws = noises * rng.standard_normal((visits, n)) + losts * rng.choice([-1.0, 1.0], (visits, n))
    ets, step = robot.ets(), 1e-2

    def both(constant: np.ndarray) -> tuple[float, float]:
        nominal, attained = (np.asarray(ets.eval(at)).reshape(-1, 4, 4) for at in (q, q + constant + draws))
        turned = Rotation.from_matrix(attained[:, :3, :3] @ nominal[0, :3, :3].T).as_rotvec()
        return pose_repeatability(attained[:, :3, 3].T), 3 * math.sqrt(np.linalg.eigvalsh(np.cov(turned.T))[-1])

    for axis in range(n):
        ahead, behind = both(step * np.eye(n)[axis]), both(-step * np.eye(n)[axis])
        for which, size in ((0, distribution.repeatability[0]), (1, distribution.orientation_repeatability[0])):
            slope = (ahead[which] - behind[which]) / (2 * step)
            assert distribution.slope[0, which, axis] == pytest.approx(slope, abs=0.02 * size)


def test_known_laws() -> None:
    """RP = 3.616 s for isotropic normal scatter (Maxwell distribution), 2.606 s on a line (half-normal), a for +-a."""
    from armsim.model.kinematics import Kinematics
    from armsim.sampling.visit_distribution import VisitCoefficients, nominal_gains, visit_distribution
    from armsim.sampling.visit_integrals import VisitIntegrals

    def distribution(gains: np.ndarray, kind: str) -> float:
        at = Kinematics(gains[None], gains[None], np.zeros(len(gains), bool), np.eye(4)[None], np.zeros((1, 2, 3)))
        k = np.arange(len(gains))
        visit_coefficients = VisitCoefficients((kind,) * len(gains), k, k, np.ones((1, len(gains))))
        gains = nominal_gains(visit_coefficients, at, np.zeros((1, 3)))
        integrals = VisitIntegrals.prepare(visit_coefficients.distributions, gains, SamplingPlan(20_000, 100, 5))
        integrals.sum()
        actual = visit_distribution(visit_coefficients, at, integrals)
        assert actual.half_width[0] < 3e-3 * actual.repeatability[0]
        return float(actual.repeatability[0])

    m = math.sqrt(2 / math.pi)
    assert distribution(np.eye(3), "normal") == pytest.approx(3.616, rel=1e-3)
    assert distribution(np.eye(3)[:1], "normal") == pytest.approx(m + 3 * math.sqrt(1 - m**2), rel=1e-3)
    assert distribution(np.eye(3)[:1], "two-valued") == pytest.approx(1.0, rel=1e-12)
    # uniform on +-1: mean distance 1/2, standard deviation 1/sqrt(12)
    assert distribution(np.eye(3)[:1], "uniform") == pytest.approx(0.5 + 3 / math.sqrt(12), rel=1e-3)
    # two of equal size on a line: distance 0 or 2
    assert distribution(np.eye(3)[[0, 0]], "two-valued") == pytest.approx(1.0 + 3.0, rel=1e-3)


def test_the_interval_of_the_integration_covers() -> None:
    """Of 300 seeds 95 % hold the value of a net a thousand times as fine. Source: binomial distribution, 4 standard deviations."""
    arm, _ = published_arm("Puma560")
    rng = np.random.default_rng(1)
    losts, noises = rng.uniform(1e-5, 1e-4, 6), rng.uniform(1e-5, 1e-4, 6)
    machine = Machine(arm, tuple(joint(name, 0.0, a, b) for name, a, b in zip(arm.names, noises, losts, strict=True)))
    evaluated = machine.at(rng.uniform(-1, 1, 6))
    truth = np.mean(
        [
            MachineAtPoses.prepare(evaluated, SamplingPlan(40_000, 100, seed)).visit_distribution().repeatability[0]
            for seed in range(50, 66)
        ]
    )
    hits = 0
    for seed in range(300):
        distribution = MachineAtPoses.prepare(evaluated, SamplingPlan(200, 30, seed)).visit_distribution()
        hits += abs(distribution.repeatability[0] - truth) <= distribution.half_width[0]
    assert hits / 300 == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / 300))


def test_no_visit_no_repeatability() -> None:
    """Where nothing differs from visit to visit, RP is zero. Source: definition in ISO 9283:1998 7.2.2."""
    arm, _ = published_arm("Puma560")
    machine = Machine(arm, tuple(joint(name, 1e-3, 0.0, 0.0) for name in arm.names))
    evaluated = machine.at(np.zeros(6))
    sampler = MachineAtPoses.prepare(evaluated, SamplingPlan(256, 1, 3))
    distribution = sampler.visit_distribution()
    figures, _ = sampler.unit_statistics_at_pose(0, distribution, draw_units(machine.terms, sampler.plan), 256)
    linear = linearise(evaluated)
    assert figures[0, 0] == pytest.approx(float(np.linalg.norm(linear.mean[0])), rel=1e-2)
    assert np.all(figures[1] <= 1e-15)


def test_nets_are_standardised() -> None:
    """Mean 0 and variance 1 of every distribution, to what a scrambled net of 1024 points tells. Source: the distributions themselves."""
    standard = nets(1, ("normal", "uniform", "two-valued"), 1024)
    assert standard.mean(axis=2) == pytest.approx(np.zeros((8, 3)), abs=1e-2)
    assert standard.var(axis=2) == pytest.approx(np.ones((8, 3)), rel=1e-2)


@pytest.mark.parametrize("size", [1, 2, 7])
def test_poses_worked_out_apart_have_the_same_bits(size: int) -> None:
    machine = armsim.load(ROOT / "scenarios" / "every-task.yaml").scenario.machine
    q = machine.survey()[:14]
    sampler = MachineAtPoses.prepare(machine.at(q), SamplingPlan(200, 30, 5))
    across = np.random.default_rng(1).standard_normal((14, 3))
    tangents = across / np.linalg.norm(across, axis=1, keepdims=True)
    full = sampler.visit_distribution(tangents)
    for first in range(0, 14, size):
        poses = slice(first, first + size)
        target = sampler.select(poses).visit_distribution(tangents[poses])
        for name in VisitDistribution.__dataclass_fields__:
            assert np.array_equal(getattr(target, name), getattr(full, name)[poses])
