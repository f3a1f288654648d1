"""Monte Carlo and first order, against closed forms and each other."""

import numpy as np
import pytest
from pose_samples import PoseSample, all_visits, sample_at
from support import estimates, normal_joint, normal_machine, planar_arm, published_arm

from armsim.core.counting import logarithmic_bin, logarithmic_edge
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.terms import Axis, Role
from armsim.model.encoder import Encoder
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.physics import assembly
from armsim.sampling.first_order import linearise
from armsim.sampling.kernel_arrays import DISTANCE, ROTATION
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling.random_draws import draw_units
from armsim.sampling_plan import SamplingPlan


def mean_squares(machine: Machine, q: np.ndarray, plan: SamplingPlan) -> np.ndarray:
    """Mean square error of the tool point at each pose and its standard deviation of the mean, shape (poses, 2)."""
    evaluated = machine.at(q)
    linear, sampler = linearise(evaluated), MachineAtPoses.prepare(evaluated, plan)
    samples = [sample_at(sampler, pose, linear) for pose in range(len(q))]
    return np.array([[s.squared_errors.mean(), s.squared_errors.std() / np.sqrt(plan.units)] for s in samples])


def sampled(machine: Machine, q: list[list[float]], plan: SamplingPlan) -> tuple[PoseSample, np.ndarray, np.ndarray]:
    """The first pose as the statistics see it, and every visit of it: displacement and turn."""
    evaluated = machine.at(q)
    sampler = MachineAtPoses.prepare(evaluated, plan)
    return sample_at(sampler, 0, linearise(evaluated)), *all_visits(sampler, 0)


def test_planar_two_link_arm_in_closed_form() -> None:
    """E|dp|^2 = (l1^2 + l2^2 + 2 l1 l2 c2) s1^2 + l2^2 s2^2 to first order. Source: any textbook, e.g. Siciliano ch. 3."""
    l1, l2, s1, s2 = 0.4, 0.3, 2e-4, 5e-4
    q = np.stack([np.linspace(-1, 1, 9), np.linspace(0.1, 2.8, 9)], axis=1)
    closed = (l1**2 + l2**2 + 2 * l1 * l2 * np.cos(q[:, 1])) * s1**2 + l2**2 * s2**2
    machine = normal_machine(planar_arm(l1, l2), s1, s2)
    np.testing.assert_allclose(linearise(machine.at(q)).mean_square, closed, rtol=1e-9)
    actual = mean_squares(machine, q, SamplingPlan(4000, 5, 2))
    assert np.all(np.abs(actual[:, 0] - closed) < 4.5 * actual[:, 1] + 1e-6 * closed)


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
    actual = mean_squares(machine, np.zeros((1, 1)), SamplingPlan(20_000, 5, 3))
    exact = 2 * (1 - np.exp(-(s**2) / 2))
    assert abs(actual[0, 0] - exact) < 4 * actual[0, 1]
    assert linearise(machine.at(np.zeros((1, 1)))).mean_square[0] == pytest.approx(s**2)


def test_quantisation_alone_at_the_tool() -> None:
    """Joint LSB times lever arm over sqrt(12), and a floor-function simulation of the same arm."""
    lever, periods, bits = 0.5, 64, 6
    step = 2 * np.pi / (periods * 2**bits)
    arm = planar_arm(lever)
    machine = Machine(arm, (Joint("j1", Encoder("coarse", signal_periods=periods, interpolation=bits)),))
    actual = mean_squares(machine, np.array([[0.3]]), SamplingPlan(4000, 10, 4))
    true = np.random.default_rng(5).uniform(0, 1, 100_000)
    reading = step * np.floor(true / step + 0.5)
    tool = lever * np.exp(1j * true) - lever * np.exp(1j * reading)
    rms = np.sqrt(np.mean(np.abs(tool) ** 2))
    assert rms == pytest.approx(step * lever / np.sqrt(12), rel=0.01)
    assert np.sqrt(actual[0, 0]) == pytest.approx(step * lever / np.sqrt(12), rel=4 * actual[0, 1] / actual[0, 0] / 2)


def test_monte_carlo_against_first_order_over_two_hundred_poses() -> None:
    """Source: the two paths share only the terms; ratio of rms 1 within the sampling error at every pose."""
    arm, _ = published_arm("Puma560")
    disc = Encoder(
        "disc", signal_periods=256, interpolation=12, track_radius=12e-3, graduation_error=Distribution("uniform", 5e-5)
    )
    terms = [Joint(name, disc, mastering=Distribution("uniform", 5e-5)) for name in arm.names]
    machine = Machine(
        arm, tuple(terms), tuple((Axis(n, "a", Role.LINK), Distribution("normal", 2e-5)) for n in arm.names)
    )
    q = np.random.default_rng(6).uniform(-1.5, 1.5, (200, 6))
    linear = linearise(machine.at(q)).mean_square
    actual = mean_squares(machine, q, SamplingPlan(1500, 2, 6))
    deviation = (actual[:, 0] - linear) / actual[:, 1]
    assert np.abs(deviation).max() < 5
    # poses share their units, so their deviations go together; the average ratio is one within what 1500 units allow
    assert np.sqrt(actual[:, 0] / linear).mean() == pytest.approx(1.0, abs=4 * (actual[:, 1] / linear / 2).max())


def test_means_of_different_joints_add_as_vectors() -> None:
    """Fixed errors on two joints: the mean square is that of the sum, not the sum of squares. Source: arithmetic."""
    arm = planar_arm(0.4, 0.3)
    joints = tuple(
        Joint(n, Encoder("ideal", signal_periods=1, interpolation=60), mastering=Distribution("fixed", 1e-4))
        for n in arm.names
    )
    machine = Machine(arm, joints)
    q = np.array([[0.0, 0.0]])
    linear = linearise(machine.at(q))
    assert linear.mean[0, 1] == pytest.approx(1e-4 * (0.7 + 0.3))
    assert linear.mean_square[0] == pytest.approx(1e-8 * (0.7 + 0.3) ** 2)
    actual = mean_squares(machine, q, SamplingPlan(10, 2, 1))
    assert actual[0, 0] == pytest.approx(linear.mean_square[0], rel=1e-6)


def test_more_units_and_visits_extend_a_population() -> None:
    """The first units of a larger population are the smaller one, so that convergence can be watched."""
    arm = planar_arm(0.4, 0.3)
    disc = Encoder(
        "disc", signal_periods=64, interpolation=8, track_radius=1e-2, graduation_error=Distribution("uniform", 1e-4)
    )
    machine = Machine(arm, tuple(Joint(n, disc) for n in arm.names))
    _, small, _ = sampled(machine, [[0.0, 0.0]], SamplingPlan(300, 5, 1))
    _, large, _ = sampled(machine, [[0.0, 0.0]], SamplingPlan(2000, 9, 1))
    np.testing.assert_array_equal(large[:, :5, :300], small)


def test_a_cause_draws_the_same_numbers_whatever_stands_beside_it() -> None:
    """Common random numbers: keyed by name, so that two designs differ by their designs alone."""
    alone = [t.transfer_to(Axis("j1")) for t in assembly.mastering(Distribution("uniform", 1.0))]
    beside = [t.transfer_to(Axis("j1")) for t in assembly.eccentricity(Distribution("uniform", 1.0), 10.0)] + alone
    plan = SamplingPlan(2500, 1, 3)
    np.testing.assert_array_equal(draw_units(alone, plan)[0], draw_units(beside, plan)[4])


def test_lives_are_kept_apart() -> None:
    """Unit life makes accuracy and no repeatability; visit life makes both, accuracy shrinking with the visits."""
    arm = planar_arm(0.5)
    unit = Machine(
        arm, (Joint("j1", Encoder("i", signal_periods=1, interpolation=60), mastering=Distribution("normal", 1e-4)),)
    )
    sample, displacement, _ = sampled(unit, [[0.0]], SamplingPlan(500, 10, 1))
    assert sample.unit_statistics[1].max() < 1e-12
    assert sample.unit_statistics[0].std() > 1e-5
    visit = normal_machine(arm, 1e-4)
    sample, displacement, _ = sampled(visit, [[0.0]], SamplingPlan(500, 10, 1))
    assert sample.unit_statistics[1].min() > 1e-5
    # a mean of ten
    assert displacement.mean(axis=1)[1].std() == pytest.approx(0.5e-4 / np.sqrt(10), rel=4 / np.sqrt(2 * 500))


def test_orientation_error_of_one_joint_is_its_own_error() -> None:
    """Source: geometry: the tool of a one-joint arm turns by what the joint turns."""
    for std, units in ((1e-3, 3000), (1.0, 500)):
        sample, displacement, turn = sampled(normal_machine(planar_arm(0.5), std), [[0.2]], SamplingPlan(units, 4, 1))
        chord = np.linalg.norm(displacement, axis=0)
        np.testing.assert_allclose(2 * 0.5 * np.sin(turn / 2), chord, rtol=1e-9)
        assert turn.max() <= np.pi
        assert sample.histograms.extremes[1, ROTATION] == turn.max()


@pytest.mark.parametrize(("units", "visits"), [(700, 9), (300, 1), (1, 40), (257, 1100)])
def test_what_is_kept_of_a_pose_is_what_its_visits_say(units: int, visits: int) -> None:
    """Counts and sums against numpy on every visit. Source: numpy."""
    machine = normal_machine(planar_arm(0.4, 0.3), 1e-3, 2e-3)
    sample, e, turn = sampled(machine, [[0.2, 0.7]], SamplingPlan(units, visits, 1))
    distance = np.linalg.norm(e, axis=0)
    np.testing.assert_allclose(sample.squared_errors, (distance**2).mean(axis=0), rtol=1e-12)
    products = [e[i] * e[j] for i, j in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))]
    centre = linearise(machine.at([[0.2, 0.7]])).mean[0]
    assert not centre.any()  # else the sums are about it
    sums = [x.sum() for x in (*e, *products, turn**2)]
    scale = np.sqrt((distance**2).sum())
    np.testing.assert_allclose(sample.sums, sums, rtol=1e-9, atol=1e-12 * scale)
    for measure, values in enumerate((distance, turn, *e)):
        assert sample.histograms.extremes[0, measure] == pytest.approx(values.min(), rel=1e-12)
        assert sample.histograms.extremes[1, measure] == pytest.approx(values.max(), rel=1e-12)
    assert sample.histograms.logarithmic.sum(axis=1).tolist() == [units * visits] * 2
    assert sample.histograms.linear.sum(axis=1).tolist() == [units * visits] * 3
    assert sample.histograms.logarithmic_pairs.sum() == units * (visits // 2)
    expected = np.quantile(distance, [0.1, 0.5, 0.95], method="inverted_cdf")
    np.testing.assert_allclose(sample.read([DISTANCE] * 3, [0.1, 0.5, 0.95])[0], expected, rtol=2.0**-11)
    larger = np.maximum(distance[0 : visits // 2 * 2 : 2], distance[1::2])
    middle = logarithmic_bin(float(np.median(distance)))
    assert sample.histograms.logarithmic_pairs[:middle].sum() == np.count_nonzero(larger < logarithmic_edge(middle))


def test_coordinates_are_counted_about_their_mean() -> None:
    """Source: numpy.quantile on every visit; bins are 1/128 of a standard deviation wide."""
    machine = normal_machine(planar_arm(0.4, 0.3), 1e-3, 2e-3)
    sample, e, _ = sampled(machine, [[0.2, 0.7]], SamplingPlan(2000, 10, 1))
    for axis in range(2):
        values, intervals = estimates(sample, [2 + axis] * 2, (0.025, 0.975))
        np.testing.assert_allclose(values, np.quantile(e[axis], [0.025, 0.975]), atol=e[axis].std() / 128)
        assert (intervals[:, 0] < values).all()
        assert (values < intervals[:, 1]).all()
