"""Limits of operation: the margins against discs that are simulated and decoded, and the yield that follows.

Source: the simulation, which counts periods on a disc in the plane and shares no formula with what it checks.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support import ROOT, invoke, planar_arm

import armsim
from armsim.causes import Cause
from armsim.documents.load import load_scenario
from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.errors import InputError
from armsim.model.encoder import Encoder, SecondTrack, Signal
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.mounting import Mounting
from armsim.model.transmission import Harmonic, Transmission
from armsim.run_options import RunOptions
from armsim.sampling.operation_limits import limits_of, margins, units_within_limits
from armsim.sampling_plan import SamplingPlan

ROUND = np.linspace(0.0, 2 * np.pi, 2000, endpoint=False)


def machine_of(joint: Joint) -> Machine:
    return Machine(planar_arm(0.5), (joint,))


def phase_of(radius: float, along: float, e: float, towards: float) -> np.ndarray:
    """Angle of a disc off its shaft as a head ``along`` its track sees it at a radius, less the shaft angle."""
    place = radius * np.exp(1j * along / radius) * np.exp(-1j * ROUND) - e * np.exp(1j * towards)
    return -np.unwrap(np.angle(place)) - ROUND


def slips(
    fine: int, second: int, radii: tuple[float, float], skew: float, e: float, towards: float, second_error: float
) -> bool:
    """Decode the disc all round: whether any reading is a period off."""
    # a head turned by the skew about the fine track reads the second one beside it
    first, other = (
        phase_of(radii[0], 0.0, e, towards),
        phase_of(radii[1], -skew * (radii[0] - radii[1]), e, towards) + second_error,
    )
    vernier = (fine * (ROUND + first) - second * (ROUND + other)) / (fine - second)
    beat = vernier if second else ROUND + other
    number = np.round((beat * fine - fine * (ROUND + first)) / (2 * np.pi))
    return bool(np.any(number != 0))


@pytest.mark.parametrize(("fine", "second"), [(256, 0), (64, 63), (90, 80)])
def test_a_unit_slips_where_its_margin_is_gone(fine: int, second: int) -> None:
    """400 units drawn by the machine, each decoded: it slips where the margin is below zero, but for a hair about it."""
    radii = (10e-3, 8.5e-3)
    scale = 0.5 * 2 * math.pi / fine * (1.0 if not second else (fine - second) / second)  # angle of half a period
    encoder = Encoder(
        "e", signal_periods=fine, interpolation=12, track_radius=radii[0],
        absolute=SecondTrack(radii[1], second, Distribution("uniform", 0.1)),
    )  # fmt: skip
    mounting = Mounting(
        eccentricity=Magnitude(Distribution("uniform", 0.6 * scale / abs(1 / radii[1] - 1 / radii[0]))),
        head_skew=Distribution("uniform", 0.7 * scale * radii[1] / (radii[0] - radii[1])),
    )
    joint, plan = Joint("j1", encoder, mounting=mounting), SamplingPlan(400, 1, 3)
    ((_, _, remainder),) = margins(machine_of(joint), plan, 0, 400)
    rng, wrong, slipped = np.random.default_rng(4), 0, 0
    e, skew, target = unit_draws(joint, plan)
    for n in range(400):
        angle = target[n] * 2 * math.pi / (second or fine)
        actual = slips(fine, second, radii, skew[n], e[n], rng.uniform(0, 2 * math.pi), angle)
        slipped += actual
        wrong += actual != (remainder[n] < 0) and abs(remainder[n]) > 5e-3  # second order of e and skew, 2000 angles
    assert wrong == 0
    assert 20 < slipped < 380


def unit_draws(joint: Joint, plan: SamplingPlan) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Eccentricity, skew and own error of the units, from the terms of the machine where it has them."""
    from armsim.errormodel.shapes import Constant
    from armsim.errormodel.terms import Axis, independent
    from armsim.sampling.random_draws import draw_units

    terms = [term for term in joint.terms() if term.cause.name == "eccentricity"]
    waves = draw_units(terms, plan)[:, :400]
    out = [joint.encoder.track_radius * np.hypot(waves[0], waves[1])]
    assert joint.encoder.absolute is not None
    for name, spread in (("head skew", joint.mounting.head_skew), ("second track", joint.encoder.absolute.error)):
        term = independent(name, Cause(name), (spread,), (Constant(),), spread.limit).transfer_to(Axis("j1"))
        out.append(draw_units([term], plan)[0, :400])
    return out[0], out[1], out[2]


def test_errors_within_a_period_count_too() -> None:
    """Offsets of 0.05 of the amplitude, at worst 0.05 sqrt(2) of a radian of phase: 0.0113 of a period."""
    encoder = Encoder(
        "e", signal_periods=128, interpolation=12, track_radius=10e-3, absolute=SecondTrack(8e-3),
        signal=Signal(offset=Distribution("fixed", 0.05)),
    )  # fmt: skip
    ((_, _, remainder),) = margins(machine_of(Joint("j1", encoder)), SamplingPlan(50, 1, 1), 0, 50)
    np.testing.assert_allclose(
        remainder, 0.5 - 0.05 * math.sqrt(2) / (2 * math.pi), rtol=1e-5
    )  # 256 places in a period


def test_the_turn_of_the_motor_by_hand() -> None:
    """Ratio 100: half a turn is 1.8 deg of the joint. A disc off by 50 um on 10 mm, a gear of 30 arcsec, 1 arcmin of lost
    motion: 0.2865 + 0.0083 + 0.0083 deg, which leave 0.5 - 0.3031 / 3.6 of a turn."""
    encoder = Encoder("out", signal_periods=1, interpolation=40, track_radius=10e-3)
    gear = Transmission(
        ratio=100.0, lost_motion=math.radians(1 / 60),
        kinematic_error=(Harmonic("input-turn", 2, Magnitude(Distribution("fixed", math.radians(30 / 3600)))),),
    )  # fmt: skip
    mounting = Mounting(eccentricity=Magnitude(Distribution("fixed", 50e-6)))
    motor = Encoder("in", signal_periods=1, interpolation=40)
    joint = Joint(
        "j1", encoder, placement="both", mounting=mounting, transmission=gear, motor_encoder=motor, counts_turns=True
    )
    ((name, what, remainder),) = margins(machine_of(joint), SamplingPlan(20, 1, 1), 0, 20)
    assert (name, what) == ("j1", "turn of the motor")
    waves = math.degrees(5e-3) + math.degrees(5e-3**2 / 2)
    np.testing.assert_allclose(remainder, 0.5 - (waves + 30 / 3600 + 0.5 / 60) / 3.6, rtol=1e-6)


def test_units_that_slip_do_not_pass(tmp_path: Path) -> None:
    """The yield of the run, of a growing population and of a what-if is that of the units which pass and do not slip."""
    study = armsim.load(ROOT / "scenarios" / "bonding-cell.yaml").with_plan(units=400, visits=3)
    study = study.change({"requirement": {"position": "1 m", "coverage": "95 %"}})
    machine = study.scenario.machine
    joint = machine.joints[0]
    encoder = replace(joint.encoder, absolute=SecondTrack(0.8 * joint.encoder.track_radius))
    periods = encoder.signal_periods / (2 * math.pi)
    skew = 0.5 / periods / (0.25 * 0.8)  # a fifth of the units or so
    slipping = replace(
        joint, encoder=encoder, mounting=replace(joint.mounting, head_skew=Distribution("uniform", skew))
    )
    target = study.with_scenario(machine=replace(machine, joints=(slipping, *machine.joints[1:])))
    fit = units_within_limits(target.scenario.machine, target.scenario.plan)
    assert 0.05 < fit.mean() < 0.95
    result = target.run(2)
    for task in result.tasks:
        assert task.summary.yield_ is not None
        assert task.summary.yield_.value == pytest.approx(fit.mean())
    (limit,) = result.operation
    assert limit.failing == pytest.approx(1 - fit.mean())
    assert limit.margin_least < 0 < limit.margin_p50
    assert any("would be wrong in" in warning for warning in result.warnings)
    *_, last = target.growing(options=RunOptions(1))
    assert all(
        one.summary.yield_ is not None and one.summary.yield_.value == pytest.approx(fit.mean())
        for one in last.assessed_tasks
    )
    plain = study.run(2)
    np.testing.assert_array_equal(plain.tasks[0].column("error.p95"), result.tasks[0].column("error.p95"))


TRACK = """kind: encoder
name: absolute 30
measures: rotation
lines: 256
resolution: 20 bit
track_radius: 12 mm
absolute: {radius: 10 mm, error: +-10 %}
"""


def test_the_commands_tell(tmp_path: Path) -> None:
    (tmp_path / "e.yaml").write_text(TRACK)
    text = (
        (ROOT / "scenarios" / "seven-from-sheets.yaml")
        .read_text()
        .replace("../configs/arms", str(ROOT / "configs" / "arms"))
    )
    text = text.replace("../configs/encoders/sheet-disc-24.yaml", str(tmp_path / "e.yaml"))
    text = text.replace("mounting: {eccentricity: 12 um}", "mounting: {eccentricity: 12 um, head_skew: 0.5 deg}")
    scenario = tmp_path / "s.yaml"
    scenario.write_text(text.replace("../configs", str(ROOT / "configs")))
    checked = invoke("check", scenario)
    assert checked.returncode == 0, checked.stderr
    assert "limits of operation" in checked.stdout
    out = tmp_path / "out"
    ran = invoke("run", scenario, "--units", "200", "--visits", "2", "--out", out)
    assert "absolute reading" in ran.stdout, ran.stderr
    assert "Limits of operation" in (out / "report.html").read_text()


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("lines: 256\n", "", "absolute: without a fine track"),
        ("track_radius: 12 mm\n", "", "absolute: without a fine track"),
        (
            "absolute: {radius: 10 mm, error",
            "absolute: {radius: 10 mm, periods: 256, error",
            "absolute.periods: 256 periods",
        ),
        ("error: +-10 %", "error: +-60 %", "absolute.error"),
        ("radius: 10 mm", "radius: 0 mm", "absolute.radius"),
    ],
)
def test_a_wrong_second_track_is_named(tmp_path: Path, old: str, new: str, expected: str) -> None:
    assert old in TRACK
    path = tmp_path / "e.yaml"
    path.write_text(TRACK.replace(old, new))
    process = invoke("check", path)
    assert process.returncode == 2
    assert expected in process.stderr


def test_turns_are_counted_by_two_sensors(tmp_path: Path) -> None:
    demo = (ROOT / "scenarios" / "bonding-cell.yaml").read_text().replace("../configs", str(ROOT / "configs"))
    path = tmp_path / "s.yaml"
    path.write_text(demo.replace("placement: motor", "placement: motor\n    counts_turns: true", 1))
    with pytest.raises(InputError, match="counts_turns: at placement motor"):
        load_scenario(path)
    track = armsim.load(ROOT / "scenarios" / "track-cell.yaml").change(
        {"joints.j6.counts_turns": True, "joints.j6.transmission": {"ratio": 80}}
    )
    (limit,) = limits_of(track.scenario.machine, track.scenario.plan)
    assert limit.failing == 0.0
    assert 0.0 < limit.margin_least <= limit.margin_p01 <= limit.margin_p50 < 0.5


DISCS = 6000
"""Discs of a simulated population: a share of 5 % is known to 0.28 % (standard deviation)."""


def populations(signal: float, seed: int) -> np.ndarray:
    """Which discs of a population slip, by decoding each: eccentric, on a shaft that runs out, with uneven signals.

    Both tracks are read by arctangent of a head in the plane; the fine one through sine and cosine that carry offsets
    and differ in amplitude.
    """
    rng, fine, radii = np.random.default_rng(seed), 256, (10e-3, 8.5e-3)
    turn = np.linspace(0.0, 2 * np.pi, 16 * fine, endpoint=False)[None, :]
    out = []
    for _ in range(DISCS // 500):
        e, runout = (rng.uniform(-size, size, (500, 1)) for size in (450e-6, 900e-6))
        towards, lean = rng.uniform(0, 2 * np.pi, (2, 500, 1))
        centre = e * np.exp(1j * towards) + runout / 2 * np.exp(1j * lean)
        first, other = (-np.angle(1 - centre * np.exp(1j * turn) / radius) for radius in radii)
        phase = fine * (turn + first) + rng.uniform(0, 2 * np.pi, (500, 1))  # where the zero lies in a period
        o_s, o_c = rng.uniform(-signal, signal, (2, 500, 1))
        uneven = rng.uniform(-signal, signal, (500, 1))
        sine, cosine = (1 + uneven / 2) * np.sin(phase) + o_s, (1 - uneven / 2) * np.cos(phase) + o_c
        within = np.angle((cosine + 1j * sine) * np.exp(-1j * phase)) / fine
        apart = (other - first - within) * fine / (2 * np.pi)
        out.append(np.abs(apart).max(axis=1) > 0.5)
    return np.concatenate(out)


@pytest.mark.parametrize("signal", [0.0, 0.15])
def test_eccentricity_and_runout_turn_together(signal: float) -> None:
    """Both are offsets of one disc, in directions of their own: the share of discs that slip is that of the simulation."""
    slipping = populations(signal, 5).mean()
    bounded = Distribution("uniform", signal)
    encoder = Encoder(
        "e", signal_periods=256, interpolation=12, track_radius=10e-3, absolute=SecondTrack(8.5e-3),
        signal=Signal(offset=bounded, amplitude_mismatch=bounded),
    )  # fmt: skip
    mounting = Mounting(
        eccentricity=Magnitude(Distribution("uniform", 450e-6)), shaft_runout=Magnitude(Distribution("uniform", 900e-6))
    )
    (limit,) = limits_of(machine_of(Joint("j1", encoder, mounting=mounting)), SamplingPlan(20_000, 1, 3))
    deviation = math.sqrt(slipping * (1 - slipping) * (1 / DISCS + 1 / 20_000))
    assert 0.02 < slipping < 0.98
    assert limit.failing == pytest.approx(slipping, abs=4 * deviation + 0.01 * slipping)  # (e/R)^2: a per cent


def test_waves_of_one_order_about_a_joint_add_as_vectors() -> None:
    """The turn of the motor: eccentricity and run-out of the sensor on the joint, drawn by hand and added in the plane."""
    rng = np.random.default_rng(6)
    e, runout = rng.uniform(-60e-6, 60e-6, 40_000), rng.uniform(-120e-6, 120e-6, 40_000)
    angle = rng.uniform(0, 2 * np.pi, (2, 40_000))
    offset = np.abs(e * np.exp(1j * angle[0]) + runout / 2 * np.exp(1j * angle[1])) / 10e-3
    expected = 0.5 - 100 * np.quantile(offset, 0.5) / (2 * math.pi)
    mounting = Mounting(
        eccentricity=Magnitude(Distribution("uniform", 60e-6)), shaft_runout=Magnitude(Distribution("uniform", 120e-6))
    )
    joint = Joint(
        "j1", Encoder("out", signal_periods=1, interpolation=40, track_radius=10e-3), placement="both",
        mounting=mounting, transmission=Transmission(ratio=100.0),
        motor_encoder=Encoder("in", signal_periods=1, interpolation=40), counts_turns=True,
    )  # fmt: skip
    (limit,) = limits_of(machine_of(joint), SamplingPlan(20_000, 1, 3))
    assert limit.margin_p50 == pytest.approx(expected, abs=0.0015)  # of 40 000 and 20 000 draws


@pytest.mark.parametrize("heads", ["read_heads: 2", "read_head_angles: [0 deg, 90 deg, 210 deg]", "read_heads: 1"])
def test_a_stated_error_within_a_period_is_that_of_the_reading(tmp_path: Path, heads: str) -> None:
    """+-6 arcsec stated of a product with several heads stay 6/sqrt(3) rms at the shaft; its check says so."""
    path = tmp_path / "e.yaml"
    path.write_text(TRACK.partition("absolute:")[0] + f"sub_divisional_error: 6 arcsec\n{heads}\n")
    printed = " ".join(invoke("check", path).stdout.split())
    row = printed.partition("sub-divisional error accuracy ")[2].partition("sub_divisional_error")[0]
    assert row.split()[-2:] == ["3.46", "6.00"]  # 6 / sqrt(3), and its limit
    assert ("of the reading, its heads averaged" in printed) == (heads != "read_heads: 1")
