"""Smoothness of motion against a sampled sensor that is simulated: positions read, rounded, differenced, filtered.

Source: the simulation, which shares no code with what it checks but the numbers of the sensor; closed forms beside it.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from support import ROOT, invoke

import armsim
from armsim.documents.load import load_options, load_scenario
from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import Axis
from armsim.errors import InputError
from armsim.model.encoder import Encoder, SheetSummary, Signal
from armsim.model.joint import Joint
from armsim.model.motion import Motion
from armsim.model.mounting import Mounting
from armsim.model.transmission import Transmission
from armsim.physics import speed_from_positions as physics
from armsim.sampling.speed_ripple import joint_motion, steady_speed

SHEETS = ROOT / "scenarios" / "seven-from-sheets.yaml"
TS, T = 250e-6, 1e-3


def sampled(speed: float, read, samples: int, sample_time: float, time_constant: float) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Speeds that a control would take from positions read at a steady speed, after the filter has settled."""
    position = read(speed * sample_time * np.arange(samples))
    difference = np.diff(position) / sample_time
    out, state, a = np.empty_like(difference), speed, math.exp(-sample_time / time_constant) if time_constant else 0.0
    for k, value in enumerate(difference.tolist()):
        state = a * state + (1 - a) * value
        out[k] = state
    return out[samples // 10 :]


@pytest.mark.parametrize("time_constant", [0.0, 1e-3, 5e-3])
@pytest.mark.parametrize("bits", [16.0, 20.0])
def test_noise_of_rounding(bits: float, time_constant: float) -> None:
    """Rows of rounded positions: on average over speeds step / (sqrt(6) Ts) without a filter, and less with one.

    At one steady speed the difference goes to and fro between two whole numbers of steps: step sqrt(f (1 - f)) / Ts with
    f the fraction of a step per sample, at most step / (2 Ts).
    """
    step = 2 * math.pi / 2**bits
    joint = Joint("j", Encoder("e", signal_periods=1, interpolation=bits))
    actual = joint_motion(joint, 1.234567, Motion(TS, time_constant), 1)
    speeds = 1.2 + np.random.default_rng(4).uniform(0.0, 0.1, 150)
    variances = [
        sampled(v, lambda q: step * np.round(q / step), 4000, TS, time_constant).var() for v in speeds.tolist()
    ]
    # of f (1 - f), evenly spread, the mean of 150 scatters by 4 %; with a filter by more
    assert actual.noise == pytest.approx(math.sqrt(np.mean(variances)), rel=0.1)
    if not time_constant:
        assert actual.noise == pytest.approx(step / math.sqrt(6) / TS)
        assert math.sqrt(max(variances)) <= 0.5 * step / TS * (1 + 1e-6)
    assert actual.step == pytest.approx(step / TS)
    remainder = 1 - (math.exp(-TS / time_constant) if time_constant else 0.0)
    assert actual.step_filtered == pytest.approx(step / TS * remainder)


def test_noise_of_the_signals() -> None:
    """Normal noise of sine and cosine, read by the arctangent, beside the rounding."""
    rng = np.random.default_rng(3)
    encoder = Encoder("e", signal_periods=512, interpolation=10, signal=Signal(noise=0.01))
    step = encoder.step

    def read(q: np.ndarray) -> np.ndarray:
        s, c = (f(512 * q) + rng.normal(0, 0.01, q.shape) for f in (np.sin, np.cos))
        angle = q + np.angle((c + 1j * s) * np.exp(-512j * q)) / 512
        return step * np.round(angle / step)

    simulated = sampled(0.7, read, 200_000, TS, T)
    assert joint_motion(Joint("j", encoder), 0.7, Motion(TS, T), 1).noise == pytest.approx(simulated.std(), rel=0.02)


@pytest.mark.parametrize("time_constant", [0.0, 0.3])
def test_noise_makes_a_speed_noisy_and_repeatability_does_not(time_constant: float) -> None:
    """3 arcsec either way, at 10 Hz: scattered at every reading, or once for a visit, beside the rounding to 24 bit.

    Both scatter the position from visit to visit alike; the speed within a visit is another matter.
    """
    std, sample_time, rng = math.radians(3 / 3600), 0.1, np.random.default_rng(6)
    spread = Distribution("normal", std)
    noisy = Joint("j", Encoder("e", summary=SheetSummary(24.0), noise=spread))
    seated = Joint("j", Encoder("e", summary=SheetSummary(24.0, repeatability=spread)))
    step, speeds, visits = noisy.encoder.step, rng.uniform(0.2, 0.3, 200).tolist(), rng.normal(0.0, std, 200)

    def rounded(q: np.ndarray) -> np.ndarray:
        return np.asarray(step * np.round(q / step))

    def spread_of_speeds(each_reading: float, each_visit: np.ndarray) -> float:
        variances = []
        for speed, offset in zip(speeds, each_visit.tolist(), strict=True):

            def read(q: np.ndarray, by: float = offset) -> np.ndarray:
                return rounded(q + by + rng.normal(0.0, each_reading, q.shape))

            variances.append(sampled(speed, read, 2000, sample_time, time_constant).var())
        return math.sqrt(np.mean(variances))

    motion = Motion(sample_time, time_constant)
    of_noise, of_repeatability = (joint_motion(joint, 0.25, motion, 1).noise for joint in (noisy, seated))
    # 200 visits of 2000 readings; of rounding alone as in the test above
    assert of_noise == pytest.approx(spread_of_speeds(std, np.zeros(200)), rel=0.01)
    assert of_repeatability == pytest.approx(spread_of_speeds(0.0, visits), rel=0.1)
    assert of_noise > 100 * of_repeatability
    if not time_constant:
        assert of_noise == pytest.approx(2.06e-4, rel=0.01)
        assert of_repeatability == pytest.approx(1.5e-6, rel=0.03)
    constant = [sum(t.variance(Axis("j"), State.at_rest(np.zeros(1))) for t in j.terms()) for j in (noisy, seated)]
    assert constant[0] == pytest.approx(constant[1]) == pytest.approx(std**2 + step**2 / 12)


def test_what_a_sheet_tells_apart_of_its_repeatability_makes_the_noise() -> None:
    """1 of 3 arcsec is noise: the speed has that of 1 arcsec, the position that of 3. Source: variances add."""
    arcsec = math.radians(1 / 3600)
    full = SheetSummary(30.0, repeatability=Distribution("normal", 3 * arcsec))
    joint = Joint("j", Encoder("e", summary=full, noise=Distribution("normal", arcsec)))
    assert joint_motion(joint, 1.0, Motion(TS), 1).noise == pytest.approx(math.sqrt(2) * arcsec / TS, rel=1e-3)
    at_rest = State.at_rest(np.zeros(1))
    assert math.sqrt(sum(t.variance(Axis("j"), at_rest) for t in joint.terms())) == pytest.approx(3 * arcsec, rel=1e-3)


@pytest.mark.parametrize("time_constant", [0.0, 1e-3])
@pytest.mark.parametrize("speed", [0.05, 1.0, 20.0])
def test_ripple_of_an_eccentric_disc_with_offsets(speed: float, time_constant: float) -> None:
    """A disc 30 um off its shaft whose signals have an offset, read exactly: law of sines and arctangent."""
    e, radius, periods, offset = 30e-6, 12e-3, 256, 0.02
    encoder = Encoder(
        "e", signal_periods=periods, interpolation=22, track_radius=radius,
        signal=Signal(offset=Distribution("fixed", offset)),
    )  # fmt: skip
    mounting = Mounting(eccentricity=Magnitude(Distribution("fixed", e)))
    joint = Joint("j", encoder, mounting=mounting)

    def read(q: np.ndarray) -> np.ndarray:
        at = q + np.arctan2(e * np.sin(q), radius - e * np.cos(q))
        sine, cosine = np.sin(periods * at) + offset, np.cos(periods * at) + offset
        return at + np.angle((cosine + 1j * sine) * np.exp(-1j * periods * at)) / periods

    turns = max(3, math.ceil(speed * TS * 40_000 / (2 * math.pi)))
    samples = int(turns * 2 * math.pi / (speed * TS))
    simulated = sampled(speed, read, min(samples, 2_000_000), TS, time_constant)
    actual = joint_motion(joint, speed, Motion(TS, time_constant), 1)
    assert actual.ripple_p95 == pytest.approx(simulated.std() / speed, rel=0.02)
    assert actual.ripple_p50 == pytest.approx(actual.ripple_p95, rel=1e-6)  # sizes are fixed, phases do not matter
    if speed == 20.0:  # 815 Hz, above the filter: the eccentricity is left
        assert actual.largest is not None
        wave = {"eccentricity": speed * e / radius, "signal offset": speed * offset * math.sqrt(2)}
        gain = physics.ripple_gain(periods * speed / (2 * math.pi), TS, Motion(TS, time_constant).pole)
        largest = max(
            ("eccentricity", wave["eccentricity"]),
            ("signal offset", wave["signal offset"] * float(gain)),
            key=lambda x: x[1],
        )
        assert actual.largest.cause == largest[0]
        assert actual.largest.amplitude == pytest.approx(largest[1], rel=0.01)


def test_aliased_ripple_keeps_its_size() -> None:
    """Signals above half the sampling frequency: the ripple appears elsewhere, as large as the gain says."""
    a, order, speed = 1e-5, 300.0, 2 * math.pi * 9.01  # 2703 Hz at 4 kHz
    simulated = sampled(speed, lambda q: q + a * np.sin(order * q), 100_000, TS, T)
    expected = (
        a * order * speed / math.sqrt(2) * physics.ripple_gain(order * speed / (2 * math.pi), TS, math.exp(-TS / T))
    )
    assert simulated.std() == pytest.approx(float(expected), rel=0.01)


def test_the_slowest_smooth_speed() -> None:
    """At it and above the share is kept, just below it is not."""
    study = armsim.load(SHEETS)
    motion, machine = study.scenario.motion, study.scenario.machine
    assert motion is not None
    for joint in machine.joints:
        if joint.name not in motion.speeds:
            continue
        actual = joint_motion(joint, motion.speeds[joint.name], motion, study.scenario.plan.seed)
        assert actual.slowest is not None
        seed = study.scenario.plan.seed
        for speed in np.geomspace(actual.slowest, actual.speed, 40):
            assert steady_speed(joint, float(speed), motion, seed).smoothness <= motion.ripple_limit * 1.001
        assert steady_speed(joint, actual.slowest * 0.95, motion, seed).smoothness > motion.ripple_limit


def test_the_motor_encoder_closes_the_speed_loop() -> None:
    """With sensors on both sides the one on the motor counts, divided by the ratio; the mounting of the other does not."""
    fine, coarse = (
        Encoder("out", signal_periods=1024, interpolation=12),
        Encoder("in", signal_periods=1, interpolation=12),
    )
    off = Mounting(eccentricity=Magnitude(Distribution("fixed", 1e-4)))
    joint = Joint(
        "j", fine, placement="both", mounting=off, motor_encoder=coarse, transmission=Transmission(ratio=50.0)
    )
    actual = joint_motion(joint, 1.0, Motion(TS), 1)
    assert actual.encoder == "in"
    assert actual.shaft_speed == pytest.approx(50.0)
    assert actual.noise == pytest.approx(2 * math.pi / 4096 / 50 / math.sqrt(6) / TS)
    assert actual.ripple_p95 == 0.0
    assert actual.largest is None


def test_the_waves_of_a_disc_on_the_motor_of_a_slide_count_per_turn_of_the_motor() -> None:
    """A linear scale closes the position loop; the disc on the motor has one to four long waves a turn, whatever the
    length of the scale. Source: plane geometry, by hand: a screw of 10 mm lead turns 0.1 /mm."""
    tape = Encoder("t", measures="translation", signal_period=20e-6, interpolation=14)
    disc = Encoder("in", signal_periods=128, interpolation=12, graduation_error=Distribution("uniform", 1e-4))
    screw = Transmission(lead=0.010)
    joint = Joint("x", tape, travel=0.4, placement="both", motor_encoder=disc, transmission=screw)
    largest = joint_motion(joint, 0.1, Motion(TS), 1).largest
    assert largest is not None
    assert largest.order * 0.010 / (2 * math.pi) == pytest.approx(4.0)


def test_a_sliding_axis() -> None:
    """20 um period at 0.5 m/s: 25 kHz; a wave of 0.1 um and that period makes a ripple of 2 pi 0.1/20."""
    tape = Encoder(
        "t", measures="translation", signal_period=20e-6, interpolation=14,
        sub_divisional_error=Distribution("uniform", 0.1e-6 * math.sqrt(3 / 2)),
    )  # fmt: skip
    actual = joint_motion(Joint("x", tape, travel=1.0), 0.5, Motion(1e-6), 1)
    assert actual.frequency == pytest.approx(25e3)
    low, high = (2 * math.pi * 0.1 / 20 * n / math.sqrt(2) for n in (1, 2))  # once or twice a period
    assert actual.ripple_p50 == pytest.approx(low, rel=0.02) or actual.ripple_p50 == pytest.approx(high, rel=0.02)
    assert actual.ripple_p95 == pytest.approx(high, rel=0.02)


def with_motion(tmp_path: Path, old: str, new: str) -> Path:
    text = SHEETS.read_text()
    assert old in text
    path = tmp_path / "s.yaml"
    path.write_text(text.replace(old, new).replace("../configs", str(ROOT / "configs")))
    return path


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "j7: {speed: 180 deg/s}",
            "j7: {speed: 1500 deg/s}",
            ["motion.joints.j7.speed", "266.7 kHz", "at most 250 kHz"],
        ),
        ("j1: {speed: 60 deg/s}", "j1: {speed: 620 rpm}", ["motion.joints.j1.speed", "620 rpm", "at most 600 rpm"]),
        ("j1: {speed: 60 deg/s}", "j1: {speed: 60 mm/s}", ["motion.joints.j1.speed", "angular speed"]),
        ("j1: {speed: 60 deg/s}", "j9: {speed: 60 deg/s}", ["motion.joints.j9", "no such joint", "j7"]),
        ("j1: {speed: 60 deg/s}", "j1: {speed: 0 deg/s}", ["motion.joints.j1.speed", "more than 0"]),
        ("sample_time: 250 us", "sample_time: 250", ["motion.sample_time", "bare number"]),
        ("  sample_time: 250 us\n", "", ["motion.sample_time"]),
        ("velocity_ripple: 2 %", "velocity_ripple: 0 %", ["requirement.velocity_ripple", "more than 0"]),
    ],
)
def test_wrong_motion_is_named(tmp_path: Path, old: str, new: str, expected: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        load_scenario(with_motion(tmp_path, old, new))
    text = "\n".join(str(problem) for problem in caught.value.problems)
    for part in expected:
        assert part in text


def test_a_ripple_without_motion_is_an_error(tmp_path: Path) -> None:
    demo = (ROOT / "scenarios" / "bonding-cell.yaml").read_text().replace("../configs", str(ROOT / "configs"))
    path = tmp_path / "s.yaml"
    path.write_text(demo.replace("coverage: 95 %", "coverage: 95 %, velocity_ripple: 1 %"))
    with pytest.raises(InputError, match=r"requirement\.velocity_ripple: without motion"):
        load_scenario(path)


def test_a_rough_joint_fails_the_requirement(tmp_path: Path) -> None:
    path = with_motion(tmp_path, "velocity_ripple: 2 %", "velocity_ripple: 0.2 %")
    out = tmp_path / "out"
    process = invoke("run", path, "--units", "200", "--visits", "3", "--out", out)
    assert process.returncode == 1
    assert "95 % of arms ripple by up to 0.26" in process.stdout
    assert "at j1, 0.2 % required" in process.stdout
    record = json.loads((out / "results.json").read_text())
    assert record["motion"]["j1"]["smoothness"] > 0.002 > record["motion"]["j4"]["smoothness"]
    page = (out / "report.html").read_text()
    assert "Not met: 95 % of arms ripple by up to 0.26" in page
    assert "Velocity ripple of the joints" in page
    assert (out / "tables" / "motion.csv").read_text().count("\n") == 6
    assert (out / "figures" / "smoothness.png").exists()


CATALOGUE = """kind: catalogue
name: two
placements: {output: 0}
mountings: [{name: plain}]
encoders:
  - encoder: {kind: encoder, name: rough, measures: rotation, lines: 200, resolution: 24 bit, summary: {accuracy: 2 arcsec}, sub_divisional_error: 1.9 arcsec, price: 10}
  - encoder: {kind: encoder, name: smooth, measures: rotation, lines: 200, resolution: 24 bit, summary: {accuracy: 20 arcsec}, sub_divisional_error: 0.2 arcsec, price: 30}
  - encoder: {kind: encoder, name: slow, measures: rotation, lines: 4000, resolution: 24 bit, max_frequency: 0.5 kHz, price: 1}
"""


def test_the_choice_keeps_to_ripple_and_frequency(tmp_path: Path) -> None:
    """The rough one errs less and costs less, the slow one costs least: neither may move so fast so smoothly."""
    shop = tmp_path / "shop.yaml"
    shop.write_text(CATALOGUE)
    path = with_motion(tmp_path, "velocity_ripple: 2 %", "velocity_ripple: 0.1 %")
    _, options = load_options(path, shop)
    names = [{option.encoder for option in joint} for joint in options.joints]
    assert names[0] == {"rough", "smooth"}  # 60 deg/s of 4000 periods: 667 Hz
    assert names[2] == {"rough", "smooth", "slow"}  # no speed is stated for j3
    process = invoke("select", path, "--catalogue", shop, "--json", "--units", "200", "--visits", "3")
    assert process.returncode == 0, process.stderr
    design = {part["joint"]: part["encoder"] for part in json.loads(process.stdout)["design"]}
    assert {design[name] for name in ("j1", "j2", "j4", "j5", "j7")} == {"smooth"}
    assert {design[name] for name in ("j3", "j6")} == {"slow"}
    tight = with_motion(tmp_path, "velocity_ripple: 2 %", "velocity_ripple: 0.0001 %")
    refused = invoke("select", tight, "--catalogue", shop, "--units", "200", "--visits", "3")
    assert refused.returncode == 2
    assert "no option of j1 meets the requirement; of the closest 95 % of arms ripple by up to" in refused.stderr
