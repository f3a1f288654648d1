"""Orders of measured curves: laws folded as the angles fold them, aliases named, orders in the residual listed.

Sensors are drawn here from their data sheet by exact geometry and exact signals, without the terms of the package.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from scipy import stats
from support import invoke

from armsim.calibration.curve_analysis import analyse_curves
from armsim.documents.curve_file import read_curves
from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.errors import InputError
from armsim.figures.measured_curve_figures import measured_curve
from armsim.model.encoder import Encoder, Signal
from armsim.model.mounting import Mounting
from armsim.physics.harmonics import IndistinguishableOrders

ARCSEC = math.pi / 648_000
TURN = 2 * math.pi
Angles = Callable[[np.random.Generator], np.ndarray]
PERIODS, RADIUS = 256, 12e-3
ECCENTRICITY, TILT, GRADUATION, OFFSET, MISMATCH, PHASE = 4e-6, 2e-3, 1.0 * ARCSEC, 0.01, 0.01, 0.0175


def uniform(limit: float) -> Distribution:
    return Distribution("uniform", limit)


ENCODER = Encoder(
    "sheet",
    signal_periods=PERIODS,
    interpolation=14,
    track_radius=RADIUS,
    graduation_error=uniform(GRADUATION),
    signal=Signal(offset=uniform(OFFSET), amplitude_mismatch=uniform(MISMATCH), phase_error=uniform(PHASE)),
)
MOUNTING = Mounting(eccentricity=Magnitude(uniform(ECCENTRICITY)), disc_tilt=Magnitude(uniform(TILT)))
SHEET = f"""kind: encoder
name: sheet
measures: rotation
signal_periods: {PERIODS}
interpolation: 14 bit
track_radius: 12 mm
graduation_error: 1 arcsec
signal: {{offset: 1 %, amplitude_mismatch: 1 %, phase_error: 1 deg}}
"""


def wrapped(angle: np.ndarray) -> np.ndarray:
    return (angle + math.pi) % TURN - math.pi


def sensor_of_the_sheet(rng: np.random.Generator, t: np.ndarray, graduation: float = GRADUATION) -> np.ndarray:
    """Error of one sensor: a disc off its shaft, tilted, one long wave, two imperfect signals; all exact. [rad]"""
    e, p = abs(rng.uniform(-ECCENTRICITY, ECCENTRICITY)), rng.uniform(0, TURN)
    error = np.arctan2(e * np.sin(t - p), RADIUS - e * np.cos(t - p))
    g, a = abs(rng.uniform(-TILT, TILT)), t - rng.uniform(0, TURN)
    error = error + wrapped(np.arctan2(np.sin(a) * math.cos(g), np.cos(a)) - a)
    # one of the orders 1 to 4 with the standard deviation of +-1 arcsec, uniform: a / sqrt(3) (JCGM 100:2008 4.3.7)
    error = error + math.sqrt(2 / 3) * graduation * np.sin(rng.integers(1, 5) * t + rng.uniform(0, TURN))
    q, d, b = PERIODS * t + rng.uniform(0, TURN), rng.uniform(-MISMATCH, MISMATCH), rng.uniform(-PHASE, PHASE)
    sine = (1 + d / 2) * np.sin(q + b / 2) + rng.uniform(-OFFSET, OFFSET)
    cosine = (1 - d / 2) * np.cos(q - b / 2) + rng.uniform(-OFFSET, OFFSET)
    return np.asarray(error + wrapped(np.arctan2(sine, cosine) - q) / PERIODS)


def steps(n: int) -> Angles:
    return lambda rng: np.arange(n) * TURN / n


def anywhere(rng: np.random.Generator) -> np.ndarray:
    return np.sort(rng.uniform(0, TURN, 60))


def part(rng: np.random.Generator) -> np.ndarray:
    return np.sort(rng.uniform(0, 0.65 * TURN, 50))


def file_of(folder: Path, curves: list[tuple[np.ndarray, np.ndarray]]) -> Path:
    """Curves of angle and error [rad] as a file."""
    path = folder / "curves.csv"
    with path.open("w", newline="") as out:
        rows = csv.writer(out)
        rows.writerow(["sensor", "angle [deg]", "error [arcsec]"])
        for n, (angle, error) in enumerate(curves):
            for a, e in zip(np.degrees(angle).tolist(), (error / ARCSEC).tolist(), strict=True):
                rows.writerow([f"s{n}", repr(a), repr(e)])
    return path


def false_alarms(folder: Path, angles: Angles, orders: tuple[int, ...], sensors: int) -> int:
    """Sensors of the sheet that are said to contradict it."""
    rng, curves = np.random.default_rng(sensors), []
    for _ in range(sensors):
        t = angles(rng)
        curves.append((t, sensor_of_the_sheet(rng, t) + rng.normal(0, 0.05 * ARCSEC, len(t))))
    result = analyse_curves(file_of(folder, curves), orders, ENCODER, MOUNTING)
    return sum(bool(sensor.contradicted) for sensor in result.sensors)


def test_sensors_of_their_own_sheet_do_not_contradict_it_at_36_steps(tmp_path: Path) -> None:
    """256 = 7 x 36 + 4 and 512 = 14 x 36 + 8: one false alarm in a hundred, below the 99.9 % bound of the binomial law."""
    assert false_alarms(tmp_path, steps(36), (), 200) <= stats.binom.ppf(0.999, 200, 0.01)


@pytest.mark.parametrize(
    ("angles", "orders", "sensors"),
    [
        (steps(36), (1, 2, 3), 200),
        (steps(37), (), 200),  # 256 = 7 x 37 - 3
        (steps(41), (), 200),
        (anywhere, (1, 2, 3, 4), 80),
        (part, (1, 2, 3, 4), 80),
    ],
    ids=["36 steps", "37 steps", "41 steps", "anywhere", "part of a turn"],
)
def test_sensors_of_their_own_sheet_are_contradicted_as_seldom_as_stated(
    tmp_path: Path, angles: Angles, orders: tuple[int, ...], sensors: int
) -> None:
    """One false alarm in a hundred sensors at most: below the 99.9 % bound of the binomial law."""
    assert false_alarms(tmp_path, angles, orders, sensors) <= stats.binom.ppf(0.999, sensors, 0.01)


def test_a_sensor_beyond_its_sheet_is_contradicted_where_its_order_is_not_hidden(tmp_path: Path) -> None:
    """A long wave of order 3 of ten times the size stated: found at 36 steps, where order 3 is the alias of none."""
    rng = np.random.default_rng(3)
    t = np.arange(36) * TURN / 36
    error = sensor_of_the_sheet(rng, t) + 8 * ARCSEC * np.sin(3 * t + 1) + rng.normal(0, 0.05 * ARCSEC, 36)
    (sensor,) = analyse_curves(file_of(tmp_path, [(t, error)]), (), ENCODER, MOUNTING).sensors
    assert sensor.contradicted == (3,)


def test_an_order_of_the_sheet_in_the_residual_is_judged_too(tmp_path: Path) -> None:
    """Signals ten times as far off as stated at 60 angles anywhere: order 256 is found, and too large for the law."""
    rng = np.random.default_rng(4)
    t = anywhere(rng)
    error = sensor_of_the_sheet(rng, t) + 80 * ARCSEC * np.sin(PERIODS * t + 1) + rng.normal(0, 0.05 * ARCSEC, len(t))
    (sensor,) = analyse_curves(file_of(tmp_path, [(t, error)]), (1, 2, 3, 4), ENCODER, MOUNTING).sensors
    assert PERIODS in sensor.contradicted
    assert sensor.in_residual[0].order == PERIODS


def test_the_folded_law_is_that_of_sensors_measured_at_36_steps(tmp_path: Path) -> None:
    """Median and 95 % of the amplitude of order 4 over 4000 sensors fitted in the test (sums over a full turn), 5 %."""
    rng = np.random.default_rng(8)
    t = np.arange(36) * TURN / 36
    amplitudes = []
    for _ in range(4000):
        amplitudes.append(abs(np.sum(sensor_of_the_sheet(rng, t) * np.exp(-4j * t))) / 18)
    error = sensor_of_the_sheet(rng, t) + rng.normal(0, 0.05 * ARCSEC, 36)
    (sensor,) = analyse_curves(file_of(tmp_path, [(t, error)]), (1, 2, 3, 4), ENCODER, MOUNTING).sensors
    law = sensor.orders[3].law
    assert law is not None
    np.testing.assert_allclose([law.p50, law.p95], np.quantile(amplitudes, [0.5, 0.95]), rtol=0.05)
    assert "signal offset" in law.causes
    assert sensor.orders[3].aliases == (PERIODS,)
    assert sensor.orders[2].aliases == ()


def test_aliases_are_named_everywhere(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    t = np.arange(36) * TURN / 36
    path = file_of(tmp_path, [(t, sensor_of_the_sheet(rng, t, 0.1 * ARCSEC) + rng.normal(0, 0.05 * ARCSEC, 36))])
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(SHEET)
    answer = invoke("curve", path, "--encoder", sheet, "--orders", "3,4,5", "--out", tmp_path / "out")
    sentence = "order 4 looks like order 256"
    assert sentence in answer.stdout, answer.stderr
    assert "at 36 equal steps" in answer.stdout
    assert sentence in (tmp_path / "out" / "report.html").read_text()
    record = json.loads((tmp_path / "out" / "curve.json").read_text())
    jsonschema.validate(record, json.loads(invoke("schema", "curve").stdout))
    (sensor,) = record["sensors"]
    assert [order["aliases"] for order in sensor["orders"] if order["order"] in (3, 4, 5)] == [[], [256.0], []]
    assert (sensor["equal_steps"], sensor["searched"]) == (36, 17)
    assert "cannot be distinguished from" in (tmp_path / "out" / "tables" / "orders.csv").read_text().splitlines()[0]
    assert sensor["constant_aliases"] == []
    refused = invoke("curve", path, "--orders", "4,256")
    assert refused.returncode == 2
    assert "do not distinguish order 4 and order 256 at 36 equal steps" in refused.stderr


def test_an_order_that_looks_like_a_constant_is_named(tmp_path: Path) -> None:
    """At 32 equal steps every reading lies at the same place of its signal period: 256 = 8 x 32, 512 = 16 x 32."""
    rng = np.random.default_rng(10)
    t = np.arange(32) * TURN / 32
    path = file_of(tmp_path, [(t, sensor_of_the_sheet(rng, t) + rng.normal(0, 0.05 * ARCSEC, 32))])
    (sensor,) = analyse_curves(path, (1, 2, 3, 4), ENCODER, MOUNTING).sensors
    assert sensor.constant_aliases == (PERIODS, 2 * PERIODS)
    assert all(order.aliases == () for order in sensor.orders)
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(SHEET)
    answer = invoke("curve", path, "--encoder", sheet)
    assert "order 256 looks like a constant, order 512 looks like a constant at 32" in answer.stdout


def test_orders_in_the_residual_are_listed_and_no_noise(tmp_path: Path) -> None:
    """Orders 7 and 21 beside those requested: found with their amplitudes, and the noise is that without them."""
    rng = np.random.default_rng(14)
    t = np.arange(90) * TURN / 90
    error = (5 * np.sin(t) + 3 * np.sin(7 * t + 1) + 1.5 * np.cos(21 * t + 2) + rng.normal(0, 0.3, 90)) * ARCSEC
    path = file_of(tmp_path, [(t, error)])
    (sensor,) = analyse_curves(path, (1, 2)).sensors
    assert [order.order for order in sensor.in_residual] == [7, 21]
    for order, truth in zip(sensor.in_residual, (3.0, 1.5), strict=True):
        low, high = order.interval
        assert low < truth * ARCSEC < high
        assert high - low < 0.3 * ARCSEC
    # standard deviation of 81 degrees of freedom: 99.9 % of the chi law
    bounds = 0.3 * np.sqrt(stats.chi2.ppf([0.0005, 0.9995], 81) / 81)
    assert bounds[0] < sensor.fit.noise / ARCSEC < bounds[1]
    answer = invoke("curve", path, "--orders", "1,2")
    assert "in the residual of the orders requested: order 7" in answer.stdout
    assert "7 (found)" in answer.stdout


def test_the_angles_of_part_of_a_turn_choose_the_orders_fitted(tmp_path: Path) -> None:
    """Where no orders are requested as many are fitted as the angles tell."""
    t = np.linspace(0, 0.5 * TURN, 40)
    (sensor,) = analyse_curves(file_of(tmp_path, [(t, 5 * ARCSEC * np.sin(t))])).sensors
    requested = [order.order for order in sensor.orders if order.false_alarm is None]
    assert requested == list(range(1, len(requested) + 1))
    (curve,) = read_curves(tmp_path / "curves.csv")
    curve.fit(requested)
    with pytest.raises(IndistinguishableOrders):
        curve.fit([*requested, len(requested) + 1])
    with pytest.raises(InputError, match="do not distinguish"):
        analyse_curves(tmp_path / "curves.csv", tuple(range(1, 13)))


def test_sensors_left_out_are_those_of_the_covariance_of_the_others(tmp_path: Path) -> None:
    """Each chance by mean and covariance of the others, worked out one by one. Source: Hotelling's T^2."""
    rng = np.random.default_rng(18)
    t = np.arange(24) * TURN / 24
    curves = [
        (t, (rng.normal() * np.cos(t) + rng.normal() * np.sin(t) + rng.normal(0, 0.1, 24)) * ARCSEC) for _ in range(9)
    ]
    result = analyse_curves(file_of(tmp_path, curves), (1, 2))
    every = np.array([sensor.fit.coefficients[:4] for sensor in result.sensors])
    assert result.leave_one_out is not None
    for n, chance in enumerate(result.leave_one_out):
        others = np.delete(every, n, axis=0)
        away = every[n] - others.mean(axis=0)
        square = away @ np.linalg.solve(np.cov(others.T), away)
        assert chance == pytest.approx(stats.f.sf(square * (8 - 4) * 8 / (63 * 4), 4, 8 - 4), rel=1e-6)


@pytest.mark.parametrize(("eccentricity", "scale"), [(1e-6, "linear"), (500e-6, "log")])
def test_amplitudes_far_below_their_law_can_be_read_off_the_figure(
    eccentricity: float, scale: str, tmp_path: Path
) -> None:
    degrees = np.arange(0.0, 360.0, 10.0)
    rows = [f"{angle},{5.0 * math.sin(math.radians(angle)):.4f}" for angle in degrees]
    (tmp_path / "c.csv").write_text("\n".join(["angle [deg],error [arcsec]", *rows]) + "\n")
    mounting = Mounting(eccentricity=Magnitude(uniform(eccentricity)))
    (sensor,) = analyse_curves(tmp_path / "c.csv", (1,), ENCODER, mounting).sensors
    assert measured_curve(sensor, "sheet").axes[2].get_yscale() == scale
