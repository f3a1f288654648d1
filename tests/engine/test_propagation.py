"""Monte Carlo and first order, against closed forms and each other."""

import numpy as np
import pytest
from support import normal_joint, normal_machine, planar_arm, published_arm

from armsim.engine.firstorder import linearise
from armsim.engine.montecarlo import Sampler, sample_poses
from armsim.engine.plan import SamplingPlan, draw_units
from armsim.model.encoder import Encoder
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.physics import assembly
from armsim.spreads import Spread
from armsim.terms import Axis


def mean_squares(machine: Machine, q: np.ndarray, plan: SamplingPlan) -> np.ndarray:
    def reduce(pose, sample):  # type: ignore[no-untyped-def]
        square = np.sum(sample.displacement**2, axis=0)
        return square.mean(), square.mean(axis=0).std() / np.sqrt(plan.units)

    return np.array(sample_poses(Sampler.prepare(machine.at(q), plan), 0, reduce, workers=2))


def test_planar_two_link_arm_in_closed_form() -> None:
    """E|dp|^2 = (l1^2 + l2^2 + 2 l1 l2 c2) s1^2 + l2^2 s2^2 to first order. Source: any textbook, e.g. Siciliano ch. 3."""
    l1, l2, s1, s2 = 0.4, 0.3, 2e-4, 5e-4
    q = np.stack([np.linspace(-1, 1, 9), np.linspace(0.1, 2.8, 9)], axis=1)
    closed = (l1**2 + l2**2 + 2 * l1 * l2 * np.cos(q[:, 1])) * s1**2 + l2**2 * s2**2
    machine = normal_machine(planar_arm(l1, l2), s1, s2)
    np.testing.assert_allclose(linearise(machine.at(q)).mean_square, closed, rtol=1e-9)
    sampled = mean_squares(machine, q, SamplingPlan(4000, 5, 2))
    assert np.all(np.abs(sampled[:, 0] - closed) < 4.5 * sampled[:, 1] + 1e-6 * closed)


def test_rms_along_a_ray_grows_with_the_reach() -> None:
    """Along a ray from the base the rms of a planar arm with errors on the first joint alone is s1 times the distance."""
    arm = planar_arm(0.4, 0.3)
    elbow = np.linspace(0.2, 2.9, 12)
    q = np.stack([np.zeros(12), elbow], axis=1)
    machine = Machine(
        arm, (normal_joint("j1", 1e-4), Joint("j2", Encoder("ideal", signal_periods=1, interpolation=60)))
    )
    distance = np.linalg.norm(arm.postures(q).tool[:, :2, 3], axis=1)
    np.testing.assert_allclose(np.sqrt(linearise(machine.at(q)).mean_square), 1e-4 * distance, rtol=1e-9)


def test_large_errors_leave_first_order_behind_and_stay_exact() -> None:
    """One joint, normal error of 0.5 rad, arm of 1 m: E|dp|^2 = 2 (1 - exp(-s^2/2)). Source: characteristic function."""
    s = 0.5
    machine = normal_machine(planar_arm(1.0), s)
    sampled = mean_squares(machine, np.zeros((1, 1)), SamplingPlan(20_000, 5, 3))
    exact = 2 * (1 - np.exp(-(s**2) / 2))
    assert abs(sampled[0, 0] - exact) < 4 * sampled[0, 1]
    assert linearise(machine.at(np.zeros((1, 1)))).mean_square[0] == pytest.approx(s**2)


def test_quantisation_alone_at_the_tool() -> None:
    """Joint LSB times lever arm over sqrt(12), and a floor-function simulation of the same arm."""
    lever, periods, bits = 0.5, 64, 6
    step = 2 * np.pi / (periods * 2**bits)
    arm = planar_arm(lever)
    machine = Machine(arm, (Joint("j1", Encoder("coarse", signal_periods=periods, interpolation=bits)),))
    sampled = mean_squares(machine, np.array([[0.3]]), SamplingPlan(4000, 10, 4))
    true = np.random.default_rng(5).uniform(0, 1, 100_000)
    reading = step * np.floor(true / step + 0.5)
    tool = lever * np.exp(1j * true) - lever * np.exp(1j * reading)
    rms = np.sqrt(np.mean(np.abs(tool) ** 2))
    assert rms == pytest.approx(step * lever / np.sqrt(12), rel=0.01)
    assert np.sqrt(sampled[0, 0]) == pytest.approx(
        step * lever / np.sqrt(12), rel=4 * sampled[0, 1] / sampled[0, 0] / 2
    )


def test_monte_carlo_against_first_order_over_two_hundred_poses() -> None:
    """Source: the two paths share only the terms; ratio of rms 1 within the sampling error at every pose."""
    arm, _ = published_arm("Puma560")
    disc = Encoder(
        "disc", signal_periods=256, interpolation=12, track_radius=12e-3, graduation_error=Spread("uniform", 5e-5)
    )
    terms = [Joint(name, disc, mastering=Spread("uniform", 5e-5)) for name in arm.names]
    machine = Machine(arm, tuple(terms), tuple((Axis(n, "a"), Spread("normal", 2e-5)) for n in arm.names))
    q = np.random.default_rng(6).uniform(-1.5, 1.5, (200, 6))
    linear = linearise(machine.at(q)).mean_square
    sampled = mean_squares(machine, q, SamplingPlan(1500, 2, 6))
    deviation = (sampled[:, 0] - linear) / sampled[:, 1]
    assert np.abs(deviation).max() < 5
    # poses share their units, so their deviations go together; the average ratio is one within what 1500 units allow
    assert np.sqrt(sampled[:, 0] / linear).mean() == pytest.approx(1.0, abs=4 * (sampled[:, 1] / linear / 2).max())


def test_means_of_different_joints_add_as_vectors() -> None:
    """Fixed errors on two joints: the mean square is that of the sum, not the sum of squares. Source: arithmetic."""
    arm = planar_arm(0.4, 0.3)
    joints = tuple(
        Joint(n, Encoder("ideal", signal_periods=1, interpolation=60), mastering=Spread("fixed", 1e-4))
        for n in arm.names
    )
    machine = Machine(arm, joints)
    q = np.array([[0.0, 0.0]])
    linear = linearise(machine.at(q))
    assert linear.mean[0, 1] == pytest.approx(1e-4 * (0.7 + 0.3))
    assert linear.mean_square[0] == pytest.approx(1e-8 * (0.7 + 0.3) ** 2)
    sampled = mean_squares(machine, q, SamplingPlan(10, 2, 1))
    assert sampled[0, 0] == pytest.approx(linear.mean_square[0], rel=1e-6)


def test_the_same_seed_gives_the_same_bits_for_any_number_of_workers() -> None:
    machine = normal_machine(planar_arm(0.4, 0.3), 1e-4, 1e-4)
    q = np.random.default_rng(0).uniform(-1, 1, (20, 2))
    plan = SamplingPlan(600, 7, 11)

    def run(workers: int) -> list[bytes]:
        return sample_poses(Sampler.prepare(machine.at(q), plan), 0, lambda pose, s: s.displacement.tobytes(), workers)

    assert run(1) == run(3)
    other = sample_poses(
        Sampler.prepare(machine.at(q), SamplingPlan(600, 7, 12)), 0, lambda pose, s: s.displacement.tobytes()
    )
    assert other[0] != run(1)[0]


def test_more_units_and_visits_extend_a_population() -> None:
    """The first units of a larger population are the smaller one, so that convergence can be watched."""
    arm = planar_arm(0.4, 0.3)
    disc = Encoder(
        "disc", signal_periods=64, interpolation=8, track_radius=1e-2, graduation_error=Spread("uniform", 1e-4)
    )
    machine = Machine(arm, tuple(Joint(n, disc) for n in arm.names))
    small = Sampler.prepare(machine.at(np.zeros((1, 2))), SamplingPlan(300, 5, 1)).sample(0, 0)
    large = Sampler.prepare(machine.at(np.zeros((1, 2))), SamplingPlan(2000, 9, 1)).sample(0, 0)
    np.testing.assert_array_equal(large.displacement[:, :5, :300], small.displacement)


def test_a_cause_draws_the_same_numbers_whatever_stands_beside_it() -> None:
    """Common random numbers: keyed by name, so that two designs differ by their designs alone."""
    alone = [t.on(Axis("j1")) for t in assembly.mastering(Spread("uniform", 1.0))]
    beside = [t.on(Axis("j1")) for t in assembly.eccentricity(Spread("uniform", 1.0), 10.0)] + alone
    plan = SamplingPlan(2500, 1, 3)
    np.testing.assert_array_equal(draw_units(alone, plan)[0], draw_units(beside, plan)[4])


def test_lives_are_kept_apart() -> None:
    """Unit life makes accuracy and no repeatability; visit life makes both, accuracy shrinking with the visits."""
    arm = planar_arm(0.5)
    unit = Machine(
        arm, (Joint("j1", Encoder("i", signal_periods=1, interpolation=60), mastering=Spread("normal", 1e-4)),)
    )
    sample = Sampler.prepare(unit.at([[0.0]]), SamplingPlan(500, 10, 1)).sample(0, 0)
    assert sample.repeatability.max() < 1e-12
    assert np.linalg.norm(sample.barycentre, axis=0).std() > 1e-5
    visit = normal_machine(arm, 1e-4)
    sample = Sampler.prepare(visit.at([[0.0]]), SamplingPlan(500, 10, 1)).sample(0, 0)
    assert sample.repeatability.min() > 1e-5
    # a mean of ten
    assert sample.barycentre[1].std() == pytest.approx(0.5e-4 / np.sqrt(10), rel=4 / np.sqrt(2 * 500))


def test_orientation_error_of_one_joint_is_its_own_error() -> None:
    """Source: geometry: the tool of a one-joint arm turns by what the joint turns."""
    machine = normal_machine(planar_arm(0.5), 1e-3)
    sample = Sampler.prepare(machine.at([[0.2]]), SamplingPlan(3000, 4, 1)).sample(0, 0)
    np.testing.assert_allclose(2 * 0.5 * np.sin(sample.turn / 2), sample.distance, rtol=1e-9)  # the chord
    large = normal_machine(planar_arm(0.5), 1.0)
    sample = Sampler.prepare(large.at([[0.2]]), SamplingPlan(500, 4, 1)).sample(0, 0)
    np.testing.assert_allclose(2 * 0.5 * np.sin(sample.turn / 2), sample.distance, rtol=1e-9)
    assert sample.turn.max() <= np.pi


def test_moments_of_the_kernel_are_those_of_its_samples() -> None:
    """Source: numpy on the same samples."""
    machine = normal_machine(planar_arm(0.4, 0.3), 1e-3, 2e-3)
    sample = Sampler.prepare(machine.at([[0.2, 0.7]]), SamplingPlan(700, 9, 1)).sample(0, 0)
    e = sample.displacement
    np.testing.assert_allclose(sample.distance, np.linalg.norm(e, axis=0), rtol=1e-12)
    np.testing.assert_allclose(sample.barycentre, e.mean(axis=1), rtol=1e-12, atol=1e-20)
    pairs = [(0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)]
    for row, (i, j) in enumerate(pairs):
        np.testing.assert_allclose(sample.moments[row], (e[i] * e[j]).mean(axis=0), rtol=1e-9, atol=1e-24)
    np.testing.assert_allclose(sample.moments[6], (sample.turn**2).mean(axis=0), rtol=1e-12)
