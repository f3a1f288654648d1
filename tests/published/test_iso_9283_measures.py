"""Distance, path and direction measures of ISO 9283:1998 (clause numbers from memory), against arithmetic and known laws."""

import math

import numpy as np
import pytest
from support import normal_machine, planar_arm

from armsim.engine import measures
from armsim.engine.layout import GIB
from armsim.engine.plan import SamplingPlan
from armsim.engine.run import Asked, Sampled, sampling
from armsim.engine.work import Job
from armsim.model.arm import Arm, ArmJoint, Motion, X, Y, Z
from armsim.model.encoder import Encoder, Summary
from armsim.model.joint import Joint, Transmission
from armsim.model.machine import Machine
from armsim.model.places import Places
from armsim.posetable import PoseTable
from armsim.spreads import Spread
from armsim.terms import Axis


def gantry(*joints: Joint) -> Machine:
    motions = tuple(Motion(d, False, 0.0, (Axis(n),), i) for i, (d, n) in enumerate(zip((X, Y, Z), "xyz", strict=True)))
    return Machine(Arm("gantry", tuple(ArmJoint(n, False, -1.0, 1.0) for n in "xyz"), motions), joints)


def linear(name: str, repeatability: float = 0.0, lost_motion: float = 0.0, mastering: float = 0.0) -> Joint:
    encoder = Encoder("linear", rotary=False, summary=Summary(1e-15, repeatability=Spread("normal", repeatability)))
    box = Transmission(lost_motion=lost_motion)
    return Joint(name, encoder, 1.0, placement="motor", transmission=box, mastering=Spread("normal", mastering))


def run(machine: Machine, places: Places, plan: SamplingPlan) -> Sampled:
    with sampling(machine, None, 0.95, 1, GIB) as place:
        return place.run(plan, [Asked("t", places)], lambda *a: None, lambda text: None)


def job(machine: Machine, plan: SamplingPlan) -> Job:
    return run(machine, Places(np.zeros((1, 3))), plan).job


def test_distance_accuracy_and_repeatability_of_a_gantry() -> None:
    """Two points 300 mm apart along x, scatter s on each axis at each point: the distance scatters by s sqrt(2) along x.

    RD = 3 s sqrt(2); across the line the scatter enters by s^2/L only. Zero offsets of the axes move both points alike:
    AD stays the mean of n differences, s sqrt(2/n). Source: arithmetic; ISO 9283:1998 7.3.
    """
    s, visits, units = 2e-6, 50, 1500
    machine = gantry(*(linear(n, s, mastering=1e-4) for n in "xyz"))
    places = Places(np.array([[0.1, 0.2, 0.3], [0.4, 0.2, 0.3]]))
    accuracy, repeatability = measures.distance(job(machine, SamplingPlan(units, visits, 1)), 0, places, (0, 1))
    assert repeatability.mean() == pytest.approx(
        3 * s * math.sqrt(2), rel=4 / math.sqrt(2 * visits * units) + 1 / visits
    )
    assert accuracy.std() == pytest.approx(s * math.sqrt(2 / visits), rel=4 / math.sqrt(2 * units))
    assert abs(accuracy.mean()) < 4 * s * math.sqrt(2 / visits / units)


def test_distance_by_hand() -> None:
    """A scale that reads 1 um too far per 100 mm makes 300 mm into 300 mm + 3 um, in every unit. Source: arithmetic."""
    encoder = Encoder("tape", rotary=False, summary=Summary(1e-15), slope_error=Spread("fixed", 1e-5))
    joints = (Joint("x", encoder, 1.0, farthest=1.0), linear("y"), linear("z"))
    places = Places(np.array([[0.1, 0.0, 0.0], [0.4, 0.0, 0.0]]))
    accuracy, repeatability = measures.distance(job(gantry(*joints), SamplingPlan(10, 4, 1)), 0, places, (0, 1))
    np.testing.assert_allclose(np.abs(accuracy), 3e-6, rtol=1e-6)
    np.testing.assert_allclose(repeatability, 0.0, atol=1e-12)


def test_direction_variation_of_lost_motion() -> None:
    """Lost motion b on each axis of a gantry. Coming along x only the x axis has moved, and rests at -b/2.

    The others rest on either side at random, which a mean of many visits removes: the barycentres of coming along x and
    along y differ by (-b/2, +b/2): vAP = b / sqrt(2). Source: arithmetic; ISO 9283:1998 7.2.3.
    """
    b = 20e-6
    machine = gantry(*(linear(n, lost_motion=b) for n in "xyz"))
    plan = SamplingPlan(50, 4000, 1)
    varied = measures.direction_variation(job(machine, plan), 0, Places(np.zeros((1, 3))), 0)
    # the largest of three pairs, each with the scatter of the means of the axes that stand, b/2/sqrt(visits)
    assert varied.mean() == pytest.approx(b / math.sqrt(2), rel=0.05)


def test_a_reversal_steps_by_the_lost_motion_where_the_joint_turns_round() -> None:
    """A slide goes 100 mm forth and back: it lags by b/2 on the way out, leads by b/2 on the way home. Source: arithmetic."""
    b = 30e-6
    machine = gantry(linear("x", lost_motion=b), linear("y"), linear("z"))
    x = np.concatenate([np.linspace(0, 0.1, 51), np.linspace(0.098, 0, 50)])
    ways = np.zeros((101, 3))
    ways[:, 0] = np.where(np.arange(101) < 50, 1.0, -1.0)
    places = Places(np.stack([x, 0 * x, 0 * x], axis=1), directions=ways, tangents=np.tile([1.0, 0.0, 0.0], (101, 1)))
    (task,) = run(machine, places, SamplingPlan(20, 10, 1)).tasks
    table = PoseTable(
        ("",) * 101, (*dict.fromkeys((t.owner, t.cause) for t in machine.terms), ("bias", "mean")), task.values
    )
    mean = table.column("error.mean")[:, 0]
    np.testing.assert_allclose(mean[:50], -b / 2, rtol=1e-9)
    np.testing.assert_allclose(mean[50:], b / 2, rtol=1e-9)
    np.testing.assert_allclose(table.column("first_unit")[:, 0], mean, rtol=1e-9)
    # along the path: what lies along it is no path accuracy
    np.testing.assert_allclose(task.worst[0], 0.0, atol=1e-12)


def test_path_accuracy_and_repeatability_across_the_path() -> None:
    """Scatter s on three axes, path along x: in the plane across it the distance from the barycentre is Rayleigh.

    Mean s sqrt(pi/2), standard deviation s sqrt(2 - pi/2): RT at a point is 3.2189 s. RT of a unit is the largest over
    its points, and with many visits nearly that. Source: Rayleigh distribution; ISO 9283:1998 8.3.
    """
    s, visits = 2e-6, 4000
    machine = gantry(*(linear(n, s) for n in "xyz"))
    x = np.linspace(0, 0.1, 5)
    places = Places(
        np.stack([x, 0 * x, 0 * x], axis=1), directions=np.ones((5, 3)), tangents=np.tile([1.0, 0.0, 0.0], (5, 1))
    )
    (task,) = run(machine, places, SamplingPlan(40, visits, 1)).tasks
    at_a_point = s * (math.sqrt(math.pi / 2) + 3 * math.sqrt(2 - math.pi / 2))
    assert at_a_point == pytest.approx(3.2189 * s, rel=1e-4)
    # largest of five, each with a standard deviation of about 1.6 s / sqrt(visits)
    assert np.median(task.worst[1]) == pytest.approx(at_a_point, rel=0.04)
    assert np.median(task.worst[1]) > at_a_point
    # the barycentre of n visits is off by s/sqrt(n) an axis: AT is far below RT
    assert task.worst[0].max() < 5 * s / math.sqrt(visits) * math.sqrt(2)


def test_orientation_accuracy_and_repeatability() -> None:
    """One joint about z: AP of the orientation is its mean error, RP three standard deviations. Source: definition."""
    machine = normal_machine(planar_arm(0.5), 1e-4)
    (task,) = run(machine, Places(np.array([[0.3]])), SamplingPlan(400, 1000, 1)).tasks
    table = PoseTable(("p",), (("j1", "repeatability"), ("j1", "quantisation"), ("bias", "mean")), task.values)
    assert table.column("orientation_repeatability.p50")[0] == pytest.approx(3e-4, rel=0.01)
    # half of the units have a mean error below 0.6745 s / sqrt(n)
    assert table.column("orientation_accuracy.p50")[0] == pytest.approx(0.6745e-4 / math.sqrt(1000), rel=0.2)


def test_sub_divisional_error_ripples_along_a_path_at_its_true_period() -> None:
    """Offset of one signal: a wave of one signal period. On a circle of radius r it comes every 2 pi r / periods of the path.

    Amplitude along the path r o sqrt(2) / periods at most (sine and cosine draw their offsets); the strongest line of its
    Fourier series tells the period. Source: geometry.
    """
    from armsim.model.encoder import Signal
    from armsim.tasks import Path, Waypoint

    r, periods = 0.5, 90
    disc = Encoder("disc", signal_periods=periods, interpolation=30, signal=Signal(offset=Spread("fixed", 0.01)))
    machine = Machine(planar_arm(r), (Joint("j1", disc),))
    half = Path(
        "circle",
        2 * math.pi * r / periods / 16,
        0.1,
        (Waypoint((r, 0.0, 0.0)), Waypoint((-r, 0.0, 0.0), (0.0, r, 0.0))),
    )
    found = half.find(machine.arm)
    (task,) = run(machine, found.places, SamplingPlan(3, 2, 1)).tasks
    names = (*dict.fromkeys((t.owner, t.cause) for t in machine.terms), ("bias", "mean"))
    table = PoseTable(found.names, names, task.values)
    assert found.places.tangents is not None
    along = np.sum(table.column("first_unit") * found.places.tangents, axis=1)[:-1]
    lines = np.abs(np.fft.rfft(along))
    assert int(np.argmax(lines)) == periods // 2  # half a circle holds half of the periods
    assert 2 * lines.max() / len(along) == pytest.approx(r * 0.01 * math.sqrt(2) / periods, rel=0.02)


def test_latency_lags_along_a_path() -> None:
    """At v = 50 mm/s a latency of 20 us leaves the tool 1 um behind, along the path, nothing across it. Source: v t."""
    from armsim.model.encoder import Timing
    from armsim.tasks import Path, Waypoint

    late = Encoder("late", signal_periods=1, interpolation=60, timing=Timing(latency=20e-6))
    machine = Machine(planar_arm(0.4, 0.3), tuple(Joint(n, late) for n in ("j1", "j2")))
    found = Path("line", 0.001, 0.05, (Waypoint((0.5, -0.1, 0.0)), Waypoint((0.5, 0.1, 0.0)))).find(machine.arm)
    (task,) = run(machine, found.places, SamplingPlan(3, 2, 1)).tasks
    names = (*dict.fromkeys((t.owner, t.cause) for t in machine.terms), ("bias", "mean"))
    mean = PoseTable(found.names, names, task.values).column("error.mean")
    np.testing.assert_allclose(np.linalg.norm(mean, axis=1), 1e-6, rtol=2e-2)
    np.testing.assert_allclose(np.abs(mean[:, 1]), 1e-6, rtol=2e-2)
    assert task.worst[0].max() < 1e-8
