"""AP and RP of ISO 9283:1998 7.2.1 and 7.2.2 (clause numbers from memory), on sets worked by hand and on known laws."""

import numpy as np
import pytest
from pose_samples import sample_at
from support import normal_machine, planar_arm

from armsim.model.configurations import Configurations
from armsim.sampling import statistics as stats
from armsim.sampling.acceptance import simulate_test
from armsim.sampling.chunk import RunSpec
from armsim.sampling.first_order import linearise
from armsim.sampling.layout import Layout
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling.random_draws import draw_units
from armsim.sampling_plan import SamplingPlan


def test_a_set_worked_by_hand() -> None:
    """Attained points (1,0,0), (3,0,0), (2,1,0), (2,-1,0) about the command (0,0,0).

    Barycentre (2,0,0): AP = 2. Distances from it are 1, 1, 1, 1: mean 1, S = 0, RP = 1.
    """
    points = np.array([[1.0, 3, 2, 2], [0, 0, 1, -1], [0, 0, 0, 0]])
    assert stats.pose_accuracy(points) == pytest.approx(2.0)
    assert stats.pose_repeatability(points) == pytest.approx(1.0)


def test_another_set_worked_by_hand() -> None:
    """Points at x = 0, 0, 0, 4: barycentre 1; distances 1, 1, 1, 3; mean 1.5; S = sqrt((3*0.25 + 2.25)/3) = 1; RP = 4.5."""
    points = np.array([[0.0, 0, 0, 4], [0, 0, 0, 0], [0, 0, 0, 0]])
    assert stats.pose_repeatability(points) == pytest.approx(4.5)


def test_isotropic_normal_scatter() -> None:
    """Mean distance 1.5958 s, S 0.6734 s, RP = 3.616 s. Source: Maxwell distribution.

    With n visits the barycentre is estimated: distances shrink by sqrt(1 - 1/n).
    """
    n = 4000
    points = np.random.default_rng(1).standard_normal((3, n))
    # standard deviation of the mean is 0.673/sqrt(n); that of 3 S about 3 * 0.48/sqrt(n)
    assert stats.pose_repeatability(points) == pytest.approx(3.616, abs=4 * 1.6 / np.sqrt(n))


def test_the_test_prints_the_definition() -> None:
    """AP and RP of a simulated test of 30 cycles, against the definition applied to its own visits."""
    machine = normal_machine(planar_arm(0.4, 0.3), 1e-4, 2e-4)
    configurations = Configurations(np.array([[0.3, 0.8], [0.1, 1.2]]))
    plan, layout = SamplingPlan(700, 5, 5), Layout(700, 1, 1, 0)
    tested = simulate_test(RunSpec(machine, plan, 0.95, layout), 0, configurations, [1], 30)
    sampler = MachineAtPoses.prepare(machine.evaluate(configurations[1:]), plan)
    displacement, _ = sampler.visit_displacements(0, 1, 0, draw_units(machine.terms, plan), 0, 700, 30)
    for unit in (0, 255, 256, 699):
        points = displacement[:, :, unit]
        assert tested.reported[1, 0, unit] == pytest.approx(stats.pose_repeatability(points), rel=1e-9)
        assert tested.reported[0, 0, unit] == pytest.approx(stats.pose_accuracy(points), rel=1e-9)


def test_population_of_isotropic_scatter() -> None:
    """Three prismatic axes with equal normal scatter s: RP of a unit is 3.616 s, however few the visits (Maxwell)."""
    from armsim.errormodel.distributions import Distribution
    from armsim.errormodel.terms import Axis
    from armsim.model.arm import Arm
    from armsim.model.encoder import Encoder, SheetSummary
    from armsim.model.joint import Joint
    from armsim.model.kinematics import ArmJoint, ElementaryTransform, X, Y, Z
    from armsim.model.machine import Machine

    s, visits, units = 1e-6, 3, 2000
    motions = tuple(
        ElementaryTransform(d, False, 0.0, (Axis(n),), i) for i, (d, n) in enumerate(zip((X, Y, Z), "xyz", strict=True))
    )
    arm = Arm("gantry", tuple(ArmJoint(n, False, 0.0, 1.0) for n in "xyz"), motions)
    encoder = Encoder(
        "linear", measures="translation", summary=SheetSummary(1e-15, repeatability=Distribution("normal", s))
    )
    machine = Machine(arm, tuple(Joint(n, encoder, 1.0) for n in "xyz"))
    evaluated = machine.at(np.zeros((1, 3)))
    rp = sample_at(
        MachineAtPoses.prepare(evaluated, SamplingPlan(units, visits, 3)), 0, linearise(evaluated)
    ).unit_statistics[1]
    assert rp.mean() == pytest.approx(3.616 * s, rel=5e-3)  # integrated over some 1500 points
    assert np.ptp(rp) < 1e-9 * s  # slides do not turn the Jacobian: all units have the same
