"""Effects that need a state: direction of approach, load, speed, temperature, position along a scale."""

import math
from dataclasses import replace

import numpy as np
import pytest
import roboticstoolbox as rtb
from pose_samples import all_visits
from support import ROOT, curve, planar_arm, published_arm

import armsim
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import Axis
from armsim.model.arm import Arm
from armsim.model.encoder import Encoder, Signal, Timing
from armsim.model.gravity import STANDARD_GRAVITY, Mass, Masses, gravity_loads
from armsim.model.joint import Bus, Joint
from armsim.model.kinematics import ArmJoint, ElementaryTransform, X
from armsim.model.machine import Environment, Machine
from armsim.model.mounting import Mounting
from armsim.model.transmission import Transmission
from armsim.physics.gear import reversal, wind_up
from armsim.physics.linear_scale import slope_error
from armsim.physics.timing import free_running_sampling, jitter, latency
from armsim.sampling.first_order import linearise
from armsim.sampling.joint_budgets import joint_budgets
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling_plan import SamplingPlan

FINE = Encoder("fine", signal_periods=1, interpolation=60)


# direction of approach


def play(path: np.ndarray, width: float) -> np.ndarray:
    """A part pushed along by another with play between them."""
    out = np.empty_like(path)
    at = path[0]
    for i, x in enumerate(path):
        at = min(max(at, x - width / 2), x + width / 2)
        out[i] = at
    return out


@pytest.mark.parametrize(("approach", "start"), [("positive", -1.0), ("negative", 2.0)])
def test_reversal_against_simulated_play(approach: str, start: float) -> None:
    """The motor moves to the command with a lagging reading; the joint is pushed through play. Source: brute force."""
    lost, lag = 0.03, 0.01
    motor = np.linspace(start, 0.5, 2000)
    while True:  # the servo goes on until the lagging reading says 0.5
        reading = play(motor, lag)[-1]
        if abs(reading - 0.5) < 1e-9:
            break
        motor = np.append(motor, motor[-1] + (0.5 - reading))
    attained = play(motor, lost)[-1]
    (term,) = reversal(lost, lag, approach)  # type: ignore[arg-type]
    assert curve((term,), np.zeros(1))[0] == pytest.approx(attained - 0.5, abs=1e-8)
    assert term.life == "unit"
    (random,) = reversal(lost, lag)
    assert random.life == "visit"
    assert random.limit == pytest.approx(abs(attained - 0.5), abs=1e-8)


# load


@pytest.mark.parametrize("name", ["Puma560", "Panda", "Stanford"])
def test_gravity_loads_are_those_of_roboticstoolbox(name: str) -> None:
    """Source: roboticstoolbox gravload with its published masses and centres (Puma560: Corke and Armstrong-Helouvry)."""
    arm, robot = published_arm(name)
    robot = getattr(rtb.models.DH, name)()
    robot.base = np.eye(4)
    robot.tool = np.eye(4)
    links = {n: Mass(float(link.m), tuple(link.r)) for n, link in zip(arm.names, robot.links, strict=True)}
    if name == "Stanford" or not any(mass.mass for mass in links.values()):
        links = {n: Mass(1.0 + i, (0.01 * i, -0.02, 0.03)) for i, n in enumerate(arm.names)}
        for link, mass in zip(robot.links, links.values(), strict=True):
            link.m, link.r = mass.mass, np.array(mass.centre)
    for q in np.random.default_rng(1).uniform(-1.5, 1.5, (10, len(arm.joints))):
        hits = robot.gravload(q, gravity=[0, 0, -STANDARD_GRAVITY])  # torque that holds the arm: against the load
        loads = gravity_loads(arm, Masses(links), q[None])[0]
        np.testing.assert_allclose(loads, -np.asarray(hits), atol=1e-9)


def test_payload_hangs_on_the_tool() -> None:
    """2 kg at 0.7 m, horizontal: gravity turns the shoulder down with 2 * 9.80665 * 0.7. Source: statics."""
    from armsim.model.chain import denavit_hartenberg

    motions: list[ElementaryTransform] = [ElementaryTransform(X, True, math.pi / 2)]  # joint axes horizontal
    for number, length in enumerate((0.4, 0.3)):
        motions += denavit_hartenberg(number, f"j{number}", True, 0, 0, length, 0)
    arm = Arm("vertical", (ArmJoint("j0", True), ArmJoint("j1", True)), tuple(motions))
    loads = gravity_loads(arm, Masses(payload=Mass(2.0)), np.zeros((1, 2)))[0]
    np.testing.assert_allclose(loads, [-2 * STANDARD_GRAVITY * 0.7, -2 * STANDARD_GRAVITY * 0.3])


def test_wind_up_of_a_simulated_spring() -> None:
    """The motor stands at the command, a torsion spring carries a weight. Source: equilibrium by bisection."""
    stiffness, mass, lever = 5e3, 3.0, 0.5
    low, high = -0.1, 0.1
    for _ in range(80):  # twist t with stiffness * t = -m g lever cos(t)
        middle = (low + high) / 2
        if stiffness * middle + mass * STANDARD_GRAVITY * lever * math.cos(middle) > 0:
            high = middle
        else:
            low = middle
    (term,) = wind_up(stiffness)
    load = -mass * STANDARD_GRAVITY * lever
    state = State(np.zeros(1), np.zeros(1), np.array([load]), np.zeros(1))
    modelled = sum(term.mean[a.coefficient] * a.shape.value(state)[0] for a in term.acts)
    assert modelled == pytest.approx(low, rel=1e-4)


def test_compensation_leaves_the_tolerance_of_the_stiffness() -> None:
    """The controller takes away c L / k by the nominal k; the spring gives L / (k (1 + d)). Source: brute force by draws."""
    stiffness, load, share = 5e3, 12.0, 0.8
    departure = Distribution("uniform", 0.1)
    d = departure.draw(np.random.default_rng(1), 200_000)
    remainder = load / (stiffness * (1 + d)) - share * load / stiffness
    (term,) = wind_up(stiffness, departure, share)
    state = State(np.zeros(1), np.zeros(1), np.array([load]), np.zeros(1))
    full, by_departure = (act.shape.value(state)[0] for act in term.acts)
    assert full == pytest.approx(remainder.mean(), rel=0.03)  # d^2 neglected: 0.3 % of L/k, on a fifth of it
    assert abs(by_departure) * departure.rms == pytest.approx(remainder.std(), rel=0.01)
    np.testing.assert_allclose(full + by_departure * d, remainder, atol=0.1**2 / 0.9 * 1.01 * load / stiffness)


def test_wind_up_vanishes_on_the_output_side() -> None:
    box = Transmission(100, stiffness=1e4)
    causes = {
        p: {t.cause.name for t in Joint("j", FINE, placement=p, transmission=box).terms()}
        for p in ("motor", "output", "both")
    }  # type: ignore[arg-type]
    assert "wind-up" in causes["motor"]
    assert "wind-up" not in causes["output"] | causes["both"]


# time


def test_latency_and_jitter_of_a_moving_joint() -> None:
    """Source: brute force: the joint turns at constant speed; its reading is taken late and at a scattered instant."""
    speed, delay, scatter, n = 1.5, 20e-6, 50e-9, 100_000
    instants = scatter * np.random.default_rng(1).standard_normal(n)
    reading = speed * (0.0 - delay + instants)  # where the joint was when it stood at zero
    attained = -reading  # the servo takes the reading for the truth
    state = State(np.zeros(1), np.array([speed]), np.zeros(1), np.zeros(1))
    (late,) = latency(delay)
    assert late.mean[0] * late.acts[0].shape.value(state)[0] == pytest.approx(
        attained.mean(), abs=4 * attained.std() / n**0.5
    )
    (scattered,) = jitter(scatter)
    std = math.sqrt(scattered.second_moment[0, 0]) * scattered.acts[0].shape.value(state)[0]
    assert std == pytest.approx(attained.std(), rel=4 / math.sqrt(2 * n))


def test_free_running_encoder_on_a_bus() -> None:
    """Source: brute force: two clocks of unrelated phase; the age of the newest sample at the bus's instant."""
    cycle = 250e-6
    generator = np.random.default_rng(2)
    age = np.array([(start % 1.0) * cycle for start in generator.uniform(0, 100, 100_000)])
    age_term, phase_term = free_running_sampling(cycle)
    assert age_term.mean[0] == pytest.approx(age.mean(), abs=4 * age.std() / math.sqrt(len(age)))
    assert math.sqrt(phase_term.second_moment[0, 0]) == pytest.approx(age.std(), rel=0.01)


def test_time_is_no_matter_at_standstill() -> None:
    """Everything of time vanishes at rest, and appears at speed by speed times time."""
    arm = planar_arm(0.5)
    encoder = replace(FINE, timing=Timing(10e-6, 1e-6))
    bus = Bus(1e-3, synchronous=False, skew=Distribution("uniform", 2e-6))
    machine = Machine(arm, (Joint("j1", encoder, bus=bus),))
    assert linearise(machine.at([[0.3]])).mean_square[0] < 1e-30
    moving = linearise(machine.at([[0.3]], [[2.0]])).mean_square[0]
    mean = 10e-6 + 0.5e-3
    variance = (1e-6) ** 2 + (2e-6) ** 2 / 3 + (0.5e-3) ** 2 / 3
    assert moving == pytest.approx((2.0 * 0.5) ** 2 * (mean**2 + variance), rel=1e-9)
    synchronous = Machine(arm, (Joint("j1", encoder, bus=replace(bus, synchronous=True)),))
    moving = linearise(synchronous.at([[0.3]], [[2.0]])).mean_square[0]
    assert moving == pytest.approx((2.0 * 0.5) ** 2 * ((10e-6) ** 2 + (1e-6) ** 2 + (2e-6) ** 2 / 3), rel=1e-9)


# heat


def slide(encoder: Encoder) -> Machine:
    motions = (ElementaryTransform(X, False, 0.0, (Axis("x"),), 0),)
    return Machine(Arm("slide", (ArmJoint("x", False, 0.0, 2.0),), motions), (Joint("x", encoder, 2.0),))


TAPE = Encoder("tape", measures="translation", signal_period=20e-6, interpolation=40)


def test_temperature_is_shared_by_all_links_and_joints() -> None:
    """Two links grow together: their sum moves by alpha (l1 + l2) T, not by the root of the sum of squares.

    Source: thermal expansion, in the Monte Carlo (exact) and in the first order.
    """
    alpha, rise = 23e-6, Distribution("uniform", 5.0)
    arm = planar_arm(0.4, 0.3)
    machine = Machine(arm, tuple(Joint(n, FINE) for n in arm.names), environment=Environment(rise, alpha))
    evaluated = machine.at([[0.0, 0.0], [0.0, math.pi / 2]])
    variance = 25.0 / 3
    expected = [(alpha * 0.7) ** 2 * variance, alpha**2 * (0.4**2 + 0.3**2) * variance]
    np.testing.assert_allclose(linearise(evaluated).mean_square, expected, rtol=1e-9)
    plan = SamplingPlan(4000, 1, 1)
    sampler = MachineAtPoses.prepare(evaluated, plan)
    for pose, square in enumerate(expected):
        d, _ = all_visits(sampler, pose)
        assert np.mean(np.sum(d**2, axis=0)) == pytest.approx(square, rel=4 * math.sqrt((9 / 5 - 1) / plan.units))
    # growth along x and y of the bent arm is one and the same draw: correlation of one
    d = all_visits(sampler, 1)[0][:, 0]
    assert np.corrcoef(d[0], d[1])[0, 1] == pytest.approx(1.0)


def test_a_warm_scale_reads_too_little() -> None:
    """A steel tape of 11 ppm/K, 5 K warmer, carries the slide 5 * 11 um/m too far. Source: brute force on its lines."""
    alpha, rise, at = 11e-6, 5.0, 1.2
    lines = np.arange(0, 2.0, 20e-6)
    reading = np.interp(at, lines * (1 + alpha * rise), lines)
    machine = replace(slide(replace(TAPE, expansion=alpha)), environment=Environment(Distribution("fixed", rise)))
    shifts = linearise(machine.at([[at]])).mean[0, 0]
    assert shifts == pytest.approx(at - reading, rel=1e-4)


def test_drifts_go_with_the_shared_temperature() -> None:
    """Zero drift and offset drift of two joints: uncorrelated signs, one temperature. Source: brute force by draws."""
    encoder = replace(
        FINE,
        signal_periods=64,
        drift=Distribution("uniform", 1e-6),
        signal=Signal(offset_drift=Distribution("uniform", 1e-4)),
    )
    arm = planar_arm(0.4, 0.3)
    rise = Distribution("normal", 4.0)
    machine = Machine(arm, tuple(Joint(n, encoder) for n in arm.names), environment=Environment(rise))
    (term,) = [t for t in machine.terms if t.cause.name == "temperature"]
    assert term.owner == "machine"
    n = 400_000
    c = term.draw(np.random.default_rng(1), n)
    products = c[:, None] * c[None]
    tolerance = 5 * products.std(axis=2) / math.sqrt(n) + 1e-12 * np.abs(term.second_moment)
    assert np.all(np.abs(products.mean(axis=2) - term.second_moment) <= tolerance)
    # squares of two drifts are correlated through the temperature
    assert np.corrcoef(c[1] ** 2, c[4] ** 2)[0, 1] > 0.05


def test_no_temperature_no_growth() -> None:
    arm = planar_arm(0.4)
    assert not [
        t
        for t in Machine(arm, (Joint("j1", FINE),), environment=Environment(None, 23e-6)).terms
        if t.cause.name == "temperature"
    ]


# linear axes


def test_linear_scale_end_to_end() -> None:
    """Slope, Abbe offset and graduation of a slide in metres at the tool. Source: arithmetic beside each."""
    slope = Distribution("uniform", 10e-6)
    at = 1.5
    machine = slide(replace(TAPE, slope_error=slope))
    square = linearise(machine.at([[at]])).mean_square[0]
    assert math.sqrt(square) == pytest.approx(10e-6 / math.sqrt(3) * at, rel=1e-6)
    (term,) = slope_error(slope, 2.0)
    assert term.limit == pytest.approx(20e-6)


def test_abbe_offset_times_pitch() -> None:
    """A carriage that pitches by g carries a point h above its scale by h sin g. Source: brute force by rotation."""
    h, pitch = 0.08, 50e-6
    carried = h * math.sin(pitch)
    joint = Joint("x", TAPE, 2.0, mounting=Mounting(abbe_offset=h, guide_pitch=Distribution("uniform", pitch)))
    (term,) = [t for t in joint.terms() if t.cause.name == "Abbe offset"]
    rms = math.sqrt(term.mean_square(Axis("x"), State.at_rest(np.zeros(1))))
    assert rms == pytest.approx(carried / math.sqrt(3), rel=1e-6)
    assert term.limit == pytest.approx(carried)


def test_sub_divisional_error_of_a_linear_scale_has_the_period_of_the_scale() -> None:
    encoder = replace(TAPE, signal=Signal(offset=Distribution("uniform", 0.01)))
    (term,) = [t for t in Joint("x", encoder, 2.0).terms() if t.cause.name == "signal offset"]
    assert {act.shape.order for act in term.acts} == {2 * math.pi / 20e-6}
    rms = math.sqrt(term.mean_square(Axis("x"), State.at_rest(np.zeros(1))))
    assert rms == pytest.approx(0.01 / math.sqrt(3) * 20e-6 / (2 * math.pi), rel=1e-9)


# direction of approach, on a path


def test_reversal_on_a_path_is_that_of_simulated_play() -> None:
    """On a path that turns round twice the error steps; a joint that has not moved stands on either side.

    Source: brute force: the servo drives the motor until the lagging reading says the command, the joint is pushed
    through play.
    """
    lost, lag = 0.03, 0.01
    commands = np.concatenate([np.linspace(-1.0, 0.5, 7)[1:], np.linspace(0.5, -0.2, 5)[1:], [0.1, 0.4]])
    motor, attained = np.array([-1.0]), []
    for command in commands:
        for _ in range(100):
            motor = np.append(motor, motor[-1] + command - play(motor, lag)[-1])
        attained.append(play(motor, lost)[-1])
    direction = np.sign(np.diff(commands, prepend=-1.0))
    state = State(commands, np.zeros_like(commands), np.zeros_like(commands), direction)
    shifts, standing = reversal(lost, lag, "path")
    errors = shifts.mean_error(shifts.axes[0], state)
    np.testing.assert_allclose(errors, np.array(attained) - commands, atol=1e-9)
    assert shifts.variance(shifts.axes[0], state) == pytest.approx(0.0, abs=1e-20)
    assert standing.mean_square(standing.axes[0], state) == 0.0
    assert (shifts.life, standing.life) == ("unit", "visit")
    # not moved yet: it came to rest from one side or the other, and which is not known
    still = State.at_rest(np.zeros(1))
    assert shifts.mean_square(shifts.axes[0], still) == 0.0
    draws = standing.draw(np.random.default_rng(1), 1000)[0] * standing.acts[0].shape.value(still)[0]
    sides = {round(float(attained[0] - commands[0]), 9), round(float(attained[-3] - commands[-3]), 9)}
    assert set(np.round(draws, 9)) == sides
    assert standing.mean_square(standing.axes[0], still) == pytest.approx(np.mean(draws**2))


@pytest.mark.parametrize(("lesson", "lives"), [("jitter", {"visit"}), ("skew", {"unit"}), ("bus", {"unit", "visit"})])
def test_errors_of_time_have_the_limits_of_their_laws(lesson: str, lives: set[str]) -> None:
    """At a known speed the joint errs at most by that speed times the largest time; at rest by nothing."""
    machine, speed = armsim.load(ROOT / "scenarios" / "lessons" / f"{lesson}.yaml").scenario.machine, 0.8
    terms = {term.name: term for term in machine.terms}
    moving, resting = (joint_budgets(machine, 1, np.full(len(machine.joints), item)) for item in (speed, 0.0))
    records = set()
    for name, budget in moving.items():
        for row, still in zip(budget.terms, resting[name].terms, strict=True):
            if row.cause in ("timing jitter", "sampling skew", "bus cycle"):
                assert row.limit == pytest.approx(float(np.sum(terms[row.name].draw.limits)) * speed)
                assert still.limit == 0.0
                records.add(row.life)
    assert records == lives
