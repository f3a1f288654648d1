"""The difference of two sensors at a joint against a simulated drive, which shares no code with the product.

An off-centre disc on the joint (exact geometry), a scale with waves on the motor, a gear whose waves turn with the
motor, a play element that is moved there and back, and a spring under gravity behind it. The motor turns step by step
up and down; at rest both sensors are read with noise, hysteresis and rounding. Source of the laws: plane geometry,
Hooke's law, statics and the play operator, by hand; of their sizes: JCGM 101:2008 6.4.2, absolute values in random
directions, and a curve of which a sheet states the size (JCGM 100:2008 4.3.7).
"""

from __future__ import annotations

import math
from functools import cached_property, lru_cache
from pathlib import Path

import numpy as np
import pytest

import armsim
from armsim.physics.sensor_difference import ALARM_DEVIATIONS
from armsim.results import SensorDifference, TwoSensors
from armsim.sampling.sensor_pairs import two_sensors

ARCSEC = math.pi / 180 / 3600
ARMS, STEPS = 2000, 1000
PRODUCT_ARMS = 1024
"""Arms of the product from which its quantiles are taken."""
TRAVEL = math.radians(60.0)
RADIUS, ECCENTRICITY, STIFFNESS, SOFTER = 12e-3, 5e-6, 40e3, 0.2
WAVE, LOST_MOTION = 10 * ARCSEC, 25 * ARCSEC
GRADUATION, WITHIN_PERIOD, PERIODS = 120 * ARCSEC, 60 * ARCSEC, 128
NOISE, LAG, STEP = (0.5 * ARCSEC, 6 * ARCSEC), (4 * ARCSEC, 40 * ARCSEC), (2**-21, 2**-17)
"""Of the sensor on the joint, and of that on the motor; steps in turns."""

ARM = """kind: arm
name: link
kinematics:
  convention: standard-dh
  joints: [{name: j1, type: revolute, d: 0 mm, a: 500 mm, alpha: 0 deg, range: [-60 deg, 60 deg]}]
  base: {rpy: [90 deg, 0 deg, 0 deg]}
masses: {payload: {mass: 2 kg}}
"""
OUT = (
    "{kind: encoder, name: out, measures: rotation, signal_periods: 512, interpolation: 12 bit, track_radius: 12 mm, "
    "hysteresis: 4 arcsec, noise: {std: 0.5 arcsec, distribution: normal}}"
)
MOTOR = (
    "{kind: encoder, name: in, measures: rotation, signal_periods: 128, interpolation: 10 bit, "
    "graduation_error: 120 arcsec, sub_divisional_error: 60 arcsec, hysteresis: 40 arcsec, "
    "noise: {std: 6 arcsec, distribution: normal}}"
)
GEAR = (
    "lost_motion: 25 arcsec, stiffness: 40 N*m/mrad, stiffness_tolerance: 20 %, compensation: 50 %, "
    "kinematic_error: [{per: input-turn, order: 2, amplitude: 10 arcsec}]"
)


def scenario(folder: Path, joints: str, arm: str = ARM, tasks: str = "") -> Path:
    (folder / "arm.yaml").write_text(arm)
    path = folder / "scenario.yaml"
    poses = tasks or "{kind: poses, name: t, poses: [{name: p, joints: [0 deg]}]}"
    path.write_text(f"kind: scenario\nname: two\narm: arm.yaml\njoints:\n{joints}\ntasks: [{poses}]\n")
    return path


def figures(path: Path, speeds: list[float] | None = None) -> dict[str, TwoSensors]:
    machine = armsim.load(path).scenario.machine
    return two_sensors(machine, 5, np.array(speeds or [0.0] * len(machine.joints)))


def both(motor: str = MOTOR, out: str = OUT, gear: str = GEAR, ratio: float = 20.0, more: str = "") -> str:
    return (
        f"{{encoder: {out}, motor_encoder: {motor}, placement: both, transmission: {{ratio: {ratio:g}, {gear}}}{more}}}"
    )


class Drives:
    """Many arms of one joint, moved up and down by their motors, ``ratio`` turns of the motor per turn."""

    def __init__(self, ratio: float, lost_motion: float, seed: int) -> None:
        rng = self.rng = np.random.default_rng(seed)
        self.ratio = ratio

        def phase() -> np.ndarray:
            return rng.uniform(0, 2 * np.pi, ARMS)

        self.off = np.abs(rng.uniform(-ECCENTRICITY, ECCENTRICITY, ARMS)), phase()
        self.written = math.sqrt(2 / 3) * GRADUATION, rng.integers(1, 5, ARMS), phase()
        self.within = math.sqrt(2 / 3) * WITHIN_PERIOD, PERIODS * rng.integers(1, 3, ARMS), phase()
        self.wave = np.abs(rng.uniform(-WAVE, WAVE, ARMS)), phase()
        softness = (1.0 - rng.uniform(-SOFTER, SOFTER, ARMS)) / STIFFNESS
        # s is the angle of the motor over the ratio; a little beyond the travel, so that the play is taken up there
        self.s = np.linspace(-TRAVEL - 0.01, TRAVEL + 0.01, STEPS)
        out = None
        self.apart: dict[int, np.ndarray] = {}
        for direction in (1, -1):
            apart = np.empty((STEPS, ARMS))
            for n in range(STEPS)[::direction]:
                driven = self.s[n] + self.wave[0] * np.sin(2 * ratio * self.s[n] + self.wave[1])
                low, high = driven - lost_motion / 2, driven + lost_motion / 2
                out = low if out is None else np.clip(out, low, high)
                q = out
                for _ in range(4):
                    q = out - 2 * 9.80665 * 0.5 * np.cos(q) * softness
                apart[n] = q - self.s[n]
            self.apart[direction] = apart

    def standing(self, q: float | np.ndarray, direction: int) -> np.ndarray:
        """Angle of the motor over the ratio at which the joint of every arm stands at q, from one direction."""
        apart, spacing, s = self.apart[direction], self.s[1] - self.s[0], np.full(ARMS, q)
        for _ in range(6):
            place = (s - self.s[0]) / spacing
            n = np.clip(place.astype(int), 0, STEPS - 2)
            low, high = apart[n, np.arange(ARMS)], apart[n + 1, np.arange(ARMS)]
            s = q - (low + (place - n) * (high - low))
        return s

    def errors(self, q: np.ndarray, s: np.ndarray, direction: int) -> tuple[np.ndarray, np.ndarray]:
        """Reading minus truth of the sensors on the joint and on the motor."""
        size, phase = self.off
        eccentric = np.arctan2(size * np.sin(q - phase), RADIUS - size * np.cos(q - phase))
        motor = self.ratio * s
        waves = sum(size * np.sin(order * motor + phase) for size, order, phase in (self.written, self.within))
        return eccentric - direction * LAG[0] / 2, waves - direction * np.sign(self.ratio) * LAG[1] / 2

    def difference(self, q: np.ndarray, s: np.ndarray, direction: int, read: bool) -> np.ndarray:
        """Motor over ratio less joint, as it is or as one reading of each shows it; not yet set to zero."""
        of_joint, of_motor = self.errors(q, s, direction)
        readings = [q + of_joint, self.ratio * s + of_motor]
        if read:
            for n, reading in enumerate(readings):
                step = 2 * np.pi * STEP[n]
                readings[n] = step * np.round((reading + self.rng.normal(0, NOISE[n], ARMS)) / step)
        return readings[1] / self.ratio - readings[0]

    @cached_property
    def zero(self) -> np.ndarray:
        """Setting in the middle of the travel: the mean of both directions."""
        sides = [self.difference(np.zeros(ARMS), self.standing(0.0, d), d, False) for d in (1, -1)]
        return 0.5 * (sides[0] + sides[1])

    def at(self, q: float | np.ndarray, direction: int, read: bool = False) -> np.ndarray:
        return self.difference(np.full(ARMS, q), self.standing(q, direction), direction, read) - self.zero

    def measured_width(self) -> np.ndarray:
        """Of one reversal, somewhere on the travel of every arm."""
        q = self.rng.uniform(-TRAVEL, TRAVEL, ARMS)
        return self.at(q, 1, True) - self.at(q, -1, True)

    def extremes(self) -> tuple[np.ndarray, np.ndarray]:
        """Smallest and largest difference of every arm over the travel, both directions."""
        low, high = np.full(ARMS, np.inf), np.full(ARMS, -np.inf)
        for direction in (1, -1):
            for n in range(STEPS):
                q = self.s[n] + self.apart[direction][n]
                d = np.where(
                    np.abs(q) <= TRAVEL, self.difference(q, np.full(ARMS, self.s[n]), direction, False), np.nan
                )
                low, high = np.fmin(low, d - self.zero), np.fmax(high, d - self.zero)
        return low, high


RATIOS = (20.0, -20.0)


@lru_cache(maxsize=2)
def drives(ratio: float, growth: float = 0.0) -> Drives:
    return Drives(ratio, LOST_MOTION + growth, seed=11)


@pytest.fixture(scope="module", params=RATIOS)
def pair(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Drives, SensorDifference]:
    joint = both(ratio=request.param, more=", mounting: {eccentricity: 5 um}")
    path = scenario(tmp_path_factory.mktemp("two"), f"  j1: {joint}")
    return drives(request.param), figures(path)["j1"].difference


def of_share(share: float, *samples: int) -> float:
    """Four standard deviations of a share that is found in samples."""
    return 4 * math.sqrt(share * (1 - share) * sum(1 / n for n in samples))


def test_the_loop_is_as_wide_as_simulated(pair: tuple[Drives, SensorDifference]) -> None:
    """Lost motion and the hysteresis of either sensor, in the sign of the play; scatter of one reversal."""
    arms, actual = pair
    width = arms.measured_width()
    assert actual.width == pytest.approx((25 + 4 - 40 / 20) * ARCSEC)
    assert width.mean() == pytest.approx(actual.width, abs=4 * width.std() / math.sqrt(ARMS))
    # the standard deviation of a standard deviation is 1/sqrt(2 n) of it; rounding is a little flatter than normal
    assert width.std() == pytest.approx(actual.width_scatter, rel=4 / math.sqrt(2 * ARMS))


def test_one_reading_scatters_as_simulated(pair: tuple[Drives, SensorDifference]) -> None:
    arms, actual = pair
    twice = [arms.at(0.3, 1, True) for _ in range(2)]
    assert np.std(twice[0] - twice[1]) / math.sqrt(2) == pytest.approx(actual.scatter, rel=4 / math.sqrt(2 * ARMS))


@pytest.mark.parametrize("place", [40, 200, 355, 560, 700])
def test_the_band_holds_the_simulated_arms(pair: tuple[Drives, SensorDifference], place: int) -> None:
    """Two and a half of a hundred arms lie beyond either end, there and back."""
    arms, actual = pair
    curve, half = actual.curve, 0.5 * actual.width
    for direction in (1, -1):
        d = arms.at(curve.position[place], direction) - direction * half
        beyond = np.array([np.mean(d < curve.low[place]), np.mean(d > curve.high[place])])
        # the band takes the worst phase of short waves nearby: a tenth of its half-width at most, as they are
        assert (beyond <= 0.025 + of_share(0.025, ARMS, PRODUCT_ARMS)).all()
        wide = 0.1 * (curve.high[place] - curve.low[place])
        beyond = np.array([np.mean(d < curve.low[place] + wide), np.mean(d > curve.high[place] - wide)])
        assert (beyond >= 0.025 - of_share(0.025, ARMS, PRODUCT_ARMS)).all()


def test_range_and_swing_are_those_of_95_of_100_simulated_arms(pair: tuple[Drives, SensorDifference]) -> None:
    arms, actual = pair
    low, high = arms.extremes()
    for figure, expected in ((high - low, actual.range_p95), (np.maximum(high, -low), actual.swing_p95)):
        assert np.mean(figure <= expected) == pytest.approx(0.95, abs=of_share(0.95, ARMS, PRODUCT_ARMS))


def test_growth_of_the_lost_motion_is_seen_and_half_of_it_is_not(pair: tuple[Drives, SensorDifference]) -> None:
    """Alarm at three standard deviations: seen in 95 of 100 reversals, half of it in one of four, none in one of 740.

    Source of the rates: normal law; the slack is for what the motor's waves depart from it.
    """
    arms, actual = pair
    alarm = actual.width + ALARM_DEVIATIONS * actual.width_scatter
    rates = [
        np.mean(drives(arms.ratio, growth).measured_width() > alarm)
        for growth in (actual.least_growth, 0.5 * actual.least_growth, 0.0)
    ]
    assert rates[0] == pytest.approx(0.95, abs=of_share(0.95, ARMS) + 0.01)
    assert rates[1] == pytest.approx(0.25, abs=of_share(0.25, ARMS) + 0.02)
    assert rates[2] <= 1 / 740 + of_share(1 / 740, ARMS)


def test_a_slip_shows_wherever_the_arm_stands(pair: tuple[Drives, SensorDifference]) -> None:
    """The stated slip trips the alarm in 95 of 100 arms at their worst place, and sound arms seldom do; half of it is
    hidden by some arms."""
    arms, actual = pair
    low, high = arms.extremes()
    scatter = ALARM_DEVIATIONS * actual.scatter
    assert np.mean(np.maximum(high, -low) > actual.alarm) <= 0.05 + of_share(0.05, ARMS, PRODUCT_ARMS)
    least = actual.least_slip + low - scatter  # where the error of the arm works against it
    assert np.mean(least > actual.alarm) >= 0.95 - of_share(0.95, ARMS, PRODUCT_ARMS)
    assert np.mean(0.5 * actual.least_slip + low > actual.alarm) < 0.05
    turn = 2 * math.pi / 20
    assert actual.motor_turn == pytest.approx(turn)
    assert actual.motor_turn_shows is (turn >= actual.least_slip) is True
