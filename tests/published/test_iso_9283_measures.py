"""Distance, path and direction measures of ISO 9283:1998 (clause numbers from memory), against arithmetic and known laws."""

import math
from dataclasses import replace

import numpy as np
import pytest
from support import normal_machine, planar_arm, published_arm

from armsim.errormodel.distributions import Distribution
from armsim.errormodel.terms import Axis
from armsim.model.arm import Arm
from armsim.model.chain import fixed_transforms
from armsim.model.configurations import Configurations
from armsim.model.encoder import Encoder, SheetSummary
from armsim.model.joint import Joint
from armsim.model.kinematics import ArmJoint, ElementaryTransform, X, Y, Z
from armsim.model.machine import Machine
from armsim.model.transmission import Transmission
from armsim.results.pose_table import PoseTable
from armsim.run_options import RunOptions
from armsim.sampling import measures
from armsim.sampling.chunk import RunSpec
from armsim.sampling.layout import GIB
from armsim.sampling.population import TaskConfigurations
from armsim.sampling.sampler import Samples, open_runner
from armsim.sampling_plan import SamplingPlan


def gantry(*joints: Joint) -> Machine:
    motions = tuple(
        ElementaryTransform(d, False, 0.0, (Axis(n),), i) for i, (d, n) in enumerate(zip((X, Y, Z), "xyz", strict=True))
    )
    return Machine(Arm("gantry", tuple(ArmJoint(n, False, -1.0, 1.0) for n in "xyz"), motions), joints)


def linear(name: str, repeatability: float = 0.0, lost_motion: float = 0.0, mastering: float = 0.0) -> Joint:
    encoder = Encoder(
        "linear",
        measures="translation",
        summary=SheetSummary(1e-15, repeatability=Distribution("normal", repeatability)),
    )
    box = Transmission(lost_motion=lost_motion)
    return Joint(name, encoder, 1.0, placement="motor", transmission=box, mastering=Distribution("normal", mastering))


def run(machine: Machine, configurations: Configurations, plan: SamplingPlan) -> Samples:
    with open_runner(machine, 0.95, RunOptions(1, GIB)) as place:
        return place.run(plan, [TaskConfigurations("t", configurations)])


def spec(machine: Machine, plan: SamplingPlan) -> RunSpec:
    return run(machine, Configurations(np.zeros((1, len(machine.joints)))), plan).spec


def test_distance_accuracy_and_repeatability_of_a_gantry() -> None:
    """Two points 300 mm apart along x, scatter s on each axis at each point: the distance scatters by s sqrt(2) along x.

    RD = 3 s sqrt(2). Zero offsets of the axes move both points alike: AD is what the scatter across the line adds to its
    length, two directions of variance 2 s^2 over twice the length L, 2 s^2 / L. Source: arithmetic; ISO 9283:1998 7.3.
    """
    s, visits, units = 2e-6, 2, 1500
    machine = gantry(*(linear(n, s, mastering=1e-4) for n in "xyz"))
    configurations = Configurations(np.array([[0.1, 0.2, 0.3], [0.4, 0.2, 0.3]]))
    accuracy, repeatability = measures.distance_measures(
        spec(machine, SamplingPlan(units, visits, 1)), configurations, (0, 1)
    )
    np.testing.assert_allclose(repeatability, 3 * s * math.sqrt(2), rtol=1e-3)
    np.testing.assert_allclose(accuracy, 2 * s**2 / 0.3, rtol=1e-3)


def test_distance_repeatability_of_units_whose_errors_turn_the_arm() -> None:
    """AD and RD of a planar arm whose zeros are off by hundredths. Source: 200 000 visits in closed-form kinematics."""
    lengths, stds, constant = (0.4, 0.3), (1e-3, 3e-3), (0.03, -0.05)
    arm = planar_arm(*lengths)
    joints = tuple(
        replace(joint, mastering=Distribution("fixed", zero))
        for joint, zero in zip(normal_machine(arm, *stds).joints, constant, strict=True)
    )
    q = np.array([[0.3, 0.8], [1.1, 1.5]])
    accuracy, repeatability = measures.distance_measures(
        spec(Machine(arm, joints), SamplingPlan(4, 1, 1)), Configurations(q), (0, 1)
    )
    rng, visits = np.random.default_rng(0), 200_000

    def tip(at: np.ndarray) -> np.ndarray:
        a, b = at[..., 0], at[..., 0] + at[..., 1]
        return np.stack(
            [lengths[0] * np.cos(a) + lengths[1] * np.cos(b), lengths[0] * np.sin(a) + lengths[1] * np.sin(b)], -1
        )

    one, other = (tip(at + constant + rng.standard_normal((visits, 2)) * stds) for at in q)
    apart = np.linalg.norm(other - one, axis=1)
    commanded = float(np.linalg.norm(tip(q[1]) - tip(q[0])))
    assert accuracy[0] == pytest.approx(apart.mean() - commanded, abs=5 * apart.std() / math.sqrt(visits))
    # second order of the errors kept, squares of some hundredths, is left out
    assert repeatability[0] == pytest.approx(3 * apart.std(), rel=5 / math.sqrt(2 * visits) + 5e-3)


def test_distance_by_hand() -> None:
    """A scale that reads 1 um too far per 100 mm makes 300 mm into 300 mm + 3 um, in every unit. Source: arithmetic."""
    encoder = Encoder(
        "tape", measures="translation", summary=SheetSummary(1e-15), slope_error=Distribution("fixed", 1e-5)
    )
    joints = (Joint("x", encoder, 1.0, farthest=1.0), linear("y"), linear("z"))
    configurations = Configurations(np.array([[0.1, 0.0, 0.0], [0.4, 0.0, 0.0]]))
    accuracy, repeatability = measures.distance_measures(
        spec(gantry(*joints), SamplingPlan(10, 4, 1)), configurations, (0, 1)
    )
    np.testing.assert_allclose(np.abs(accuracy), 3e-6, rtol=1e-6)
    np.testing.assert_allclose(repeatability, 0.0, atol=1e-12)


def test_direction_variation_of_lost_motion() -> None:
    """Lost motion b on each axis of a gantry. Coming along x only the x axis has moved, and rests at -b/2.

    The others rest on either side at random, which the mean removes: the barycentres of coming along x and along y
    differ by (-b/2, +b/2): vAP = b / sqrt(2). Source: arithmetic; ISO 9283:1998 7.2.3.
    """
    b = 20e-6
    machine = gantry(*(linear(n, lost_motion=b) for n in "xyz"))
    plan = SamplingPlan(50, 2, 1)
    varied = measures.direction_variation(spec(machine, plan), Configurations(np.zeros((1, 3))), [0], ["full"])[0]
    np.testing.assert_allclose(varied, b / math.sqrt(2), rtol=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_the_tool_comes_in_a_line_and_keeps_its_orientation(seed: int) -> None:
    """vAP of a six-axis arm equals what three straight paths into the pose leave, the tool held.

    Source: the inverse Jacobian of roboticstoolbox tells which way every joint moved last; the lost motion then shifts
    the tool by the forward kinematics of roboticstoolbox.
    """
    arm, robot = published_arm("Puma560")
    rng = np.random.default_rng(seed)
    losts = rng.uniform(1e-5, 1e-4, 6)
    joints = tuple(
        Joint(
            name,
            Encoder("bare", summary=SheetSummary(60.0)),
            placement="motor",
            transmission=Transmission(1.0, (), lost),
        )
        for name, lost in zip(arm.names, losts, strict=True)
    )
    q = np.array([0.3, 0.9, -1.2, 0.7, 0.8, 0.2]) + rng.uniform(-0.2, 0.2, 6)
    varied = measures.direction_variation(
        spec(Machine(arm, joints), SamplingPlan(3, 2, 1)), Configurations(q[None]), [0], ["full"]
    )[0]
    rates = [np.linalg.solve(robot.jacob0(q), np.eye(6)[axis]) for axis in range(3)]
    # a joint that does not move, but for rounding, comes from no side
    ways = [np.where(np.abs(rate) > 1e-9 * np.abs(rate).max(), np.sign(rate), 0.0) for rate in rates]
    ends = [robot.fkine(q - 0.5 * losts * way).t for way in ways]
    apart = max(float(np.linalg.norm(a - b)) for a, b in ((ends[0], ends[1]), (ends[0], ends[2]), (ends[1], ends[2])))
    np.testing.assert_allclose(varied, apart, rtol=1e-4)


def test_fewer_joints_come_by_the_least_motion_and_a_free_tool_may_turn() -> None:
    """A planar arm cannot keep its orientation: it goes by the pseudo-inverse. Source: numpy.linalg.pinv, closed form."""
    arm = planar_arm(0.4, 0.3, 0.2)
    q = np.array([[0.2, 0.7, -0.9]])
    a, b, c = 0.2, 0.9, 0.0
    x = (
        -0.4 * math.sin(a) - 0.3 * math.sin(b) - 0.2 * math.sin(c),
        -0.3 * math.sin(b) - 0.2 * math.sin(c),
        -0.2 * math.sin(c),
    )
    y = (
        0.4 * math.cos(a) + 0.3 * math.cos(b) + 0.2 * math.cos(c),
        0.3 * math.cos(b) + 0.2 * math.cos(c),
        0.2 * math.cos(c),
    )
    free = measures.approach_motion(arm, q, np.array([1.0, 0, 0]), "free")
    np.testing.assert_allclose(free, np.linalg.pinv(np.array([x, y])) @ [1.0, 0.0], atol=1e-9)
    hits = measures.approach_motion(arm, q, np.array([1.0, 0, 0]), "full")  # three joints can: x, y and the angle
    np.testing.assert_allclose(hits, np.linalg.solve(np.array([x, y, (1, 1, 1)]), [1.0, 0.0, 0.0]), atol=1e-6)
    two = measures.approach_motion(planar_arm(0.4, 0.3), q[:, :2], np.array([1.0, 0, 0]), "full")
    assert abs(two.sum()) > 0.1  # two joints cannot: the tool turns


def test_a_reversal_steps_by_the_lost_motion_where_the_joint_turns_round() -> None:
    """A slide goes 100 mm forth and back: it lags by b/2 on the way out, leads by b/2 on the way home. Source: arithmetic."""
    b = 30e-6
    machine = gantry(linear("x", lost_motion=b), linear("y"), linear("z"))
    x = np.concatenate([np.linspace(0, 0.1, 51), np.linspace(0.098, 0, 50)])
    ways = np.zeros((101, 3))
    ways[:, 0] = np.where(np.arange(101) < 50, 1.0, -1.0)
    configurations = Configurations(
        np.stack([x, 0 * x, 0 * x], axis=1), directions=ways, tangents=np.tile([1.0, 0.0, 0.0], (101, 1))
    )
    (task,) = run(machine, configurations, SamplingPlan(20, 10, 1)).tasks
    table = PoseTable(("",) * 101, (*dict.fromkeys(t.share_name for t in machine.terms), ("bias", "mean")), task.rows)
    mean = table.column("error.mean")[:, 0]
    np.testing.assert_allclose(mean[:50], -b / 2, rtol=1e-9)
    np.testing.assert_allclose(mean[50:], b / 2, rtol=1e-9)
    np.testing.assert_allclose(table.column("first_unit")[:, 0], mean, rtol=1e-9)
    # along the path: what lies along it is not a path accuracy
    np.testing.assert_allclose(task.worst[0], 0.0, atol=1e-12)


def test_path_accuracy_and_repeatability_across_the_path() -> None:
    """Scatter s on three axes, path along x: in the plane across it the distance from the barycentre is Rayleigh.

    Mean s sqrt(pi/2), standard deviation s sqrt(2 - pi/2): RT is 3.2189 s at every point, and so is the largest.
    Source: Rayleigh distribution; ISO 9283:1998 8.3.
    """
    s, visits = 2e-6, 40
    machine = gantry(*(linear(n, s) for n in "xyz"))
    x = np.linspace(0, 0.1, 5)
    configurations = Configurations(
        np.stack([x, 0 * x, 0 * x], axis=1), directions=np.ones((5, 3)), tangents=np.tile([1.0, 0.0, 0.0], (5, 1))
    )
    (task,) = run(machine, configurations, SamplingPlan(40, visits, 1)).tasks
    at_a_point = s * (math.sqrt(math.pi / 2) + 3 * math.sqrt(2 - math.pi / 2))
    assert at_a_point == pytest.approx(3.2189 * s, rel=1e-4)
    np.testing.assert_allclose(task.worst[1], at_a_point, rtol=0.02)  # integrated over 2048 points
    assert task.worst[0].max() < 1e-6 * s  # nothing is kept: the barycentre is where it should be


def test_orientation_accuracy_and_repeatability() -> None:
    """One joint about z: AP of the orientation is its mean error, RP three standard deviations. Source: definition."""
    machine = normal_machine(planar_arm(0.5), 1e-4)
    (task,) = run(machine, Configurations(np.array([[0.3]])), SamplingPlan(400, 1000, 1)).tasks
    table = PoseTable(("p",), (("j1", "repeatability"), ("j1", "quantisation"), ("bias", "mean")), task.rows)
    assert table.column("orientation_repeatability.p50")[0] == pytest.approx(3e-4, rel=1e-9)
    assert table.column("orientation_accuracy.p50")[0] == pytest.approx(0.0, abs=1e-12)


def test_a_turn_of_the_base_changes_no_figure() -> None:
    """The same arm on a base turned at random: AP, RP and both of the orientation stay. Source: geometry."""
    arm, _ = published_arm("Puma560")
    joints = normal_machine(arm, 1e-4, 2e-4, 3e-4, 1e-4, 5e-4, 2e-4).joints
    joints = tuple(replace(joint, mastering=Distribution("normal", 1e-4)) for joint in joints)
    q = Configurations(np.array([[0.3, 0.9, -1.2, 0.7, 0.8, 0.2]]))
    figures = []
    for rpy in ((0.0, 0.0, 0.0), (0.7, -1.1, 2.3), (math.pi / 4, 0.0, math.pi / 4)):
        turned = Arm("turned", arm.joints, (*fixed_transforms((0.1, 0.2, 0.3), rpy), *arm.motions))
        (task,) = run(Machine(turned, joints), q, SamplingPlan(500, 4, 1)).tasks
        names = (*dict.fromkeys(t.share_name for t in Machine(turned, joints).terms), ("bias", "mean"))
        table = PoseTable(("p",), names, task.rows)
        paths = ("accuracy", "repeatability", "orientation_accuracy", "orientation_repeatability")
        figures.append([table.column(f"{path}.{p}")[0] for path in paths for p in ("p50", "p95")])
    np.testing.assert_allclose(figures[1:], [figures[0]] * 2, rtol=1e-9)


def test_sub_divisional_error_ripples_along_a_path_at_its_true_period() -> None:
    """Offset of one signal: a wave of one signal period. On a circle of radius r it comes every 2 pi r / periods of the path.

    Amplitude along the path r o sqrt(2) / periods at most (sine and cosine draw their offsets); the strongest line of its
    Fourier series tells the period. Source: geometry.
    """
    from armsim.model.encoder import Signal
    from armsim.tasks import Path, Waypoint

    r, periods = 0.5, 90
    disc = Encoder("disc", signal_periods=periods, interpolation=30, signal=Signal(offset=Distribution("fixed", 0.01)))
    machine = Machine(planar_arm(r), (Joint("j1", disc),))
    half = Path(
        "circle",
        2 * math.pi * r / periods / 16,
        0.1,
        (Waypoint((r, 0.0, 0.0)), Waypoint((-r, 0.0, 0.0), (0.0, r, 0.0))),
    )
    pose_set = half.find(machine.arm)
    (task,) = run(machine, pose_set.configurations, SamplingPlan(3, 2, 1)).tasks
    names = (*dict.fromkeys(t.share_name for t in machine.terms), ("bias", "mean"))
    table = PoseTable(pose_set.names, names, task.rows)
    assert pose_set.configurations.tangents is not None
    along = np.sum(table.column("first_unit") * pose_set.configurations.tangents, axis=1)[:-1]
    lines = np.abs(np.fft.rfft(along))
    assert int(np.argmax(lines)) == periods // 2  # half a circle holds half of the periods
    assert 2 * lines.max() / len(along) == pytest.approx(r * 0.01 * math.sqrt(2) / periods, rel=0.02)


def test_latency_lags_along_a_path() -> None:
    """At v = 50 mm/s a latency of 20 us leaves the tool 1 um behind, along the path, nothing across it. Source: v t."""
    from armsim.model.encoder import Timing
    from armsim.tasks import Path, Waypoint

    late = Encoder("late", signal_periods=1, interpolation=60, timing=Timing(latency=20e-6))
    machine = Machine(planar_arm(0.4, 0.3), tuple(Joint(n, late) for n in ("j1", "j2")))
    pose_set = Path("line", 0.001, 0.05, (Waypoint((0.5, -0.1, 0.0)), Waypoint((0.5, 0.1, 0.0)))).find(machine.arm)
    (task,) = run(machine, pose_set.configurations, SamplingPlan(3, 2, 1)).tasks
    names = (*dict.fromkeys(t.share_name for t in machine.terms), ("bias", "mean"))
    mean = PoseTable(pose_set.names, names, task.rows).column("error.mean")
    np.testing.assert_allclose(np.linalg.norm(mean, axis=1), 1e-6, rtol=2e-2)
    np.testing.assert_allclose(np.abs(mean[:, 1]), 1e-6, rtol=2e-2)
    assert task.worst[0].max() < 1e-8
