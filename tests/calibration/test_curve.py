"""Measured error curves: the solver on certified regressions, the fit by repetition, the law by sensors drawn from it."""

from __future__ import annotations

import json
import math
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from scipy import stats
from support import ROOT, invoke

import armsim
from armsim.calibration.curve_analysis import analyse_curves
from armsim.documents import check_file
from armsim.documents.curve_file import read_curves
from armsim.documents.load import load_scenario
from armsim.errors import InputError
from armsim.model.encoder import Encoder
from armsim.physics.harmonics import IndistinguishableOrders, fit_harmonics, least_squares

ARCSEC = math.pi / 648_000
DISC = ROOT / "configs" / "encoders" / "disc-28.yaml"

# NIST Statistical Reference Datasets, linear least squares: Norris, Longley and Wampler3, data and certified values
NORRIS = (
    [0.1, 338.8, 118.1, 888, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8,
     557.7, 228.3, 998, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2],
    [[0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777, 558.2, 0.4, 0.6, 775.5, 666.9, 338, 447.5, 11.6,
      556, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999, 779, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5]],
    [-0.262323073774029, 1.00211681802045], [0.232818234301152, 0.429796848199937e-3],
)  # fmt: skip
LONGLEY = (
    [60323, 61122, 60171, 61187, 63221, 63639, 64989, 63761, 66019, 67857, 68169, 66513, 68655, 69564, 69331, 70551],
    [[83, 88.5, 88.2, 89.5, 96.2, 98.1, 99, 100, 101.2, 104.6, 108.4, 110.8, 112.6, 114.2, 115.7, 116.9],
     [234289, 259426, 258054, 284599, 328975, 346999, 365385, 363112, 397469, 419180, 442769, 444546, 482704, 502601,
      518173, 554894],
     [2356, 2325, 3682, 3351, 2099, 1932, 1870, 3578, 2904, 2822, 2936, 4681, 3813, 3931, 4806, 4007],
     [1590, 1456, 1616, 1650, 3099, 3594, 3547, 3350, 3048, 2857, 2798, 2637, 2552, 2514, 2572, 2827],
     [107608, 108632, 109773, 110929, 112075, 113270, 115094, 116219, 117388, 118734, 120445, 121950, 123366, 125368,
      127852, 130081],
     list(range(1947, 1963))],
    [-3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683, -1.03322686717359,
     -0.0511041056535807, 1829.15146461355],
    [890420.383607373, 84.9149257747669, 0.0334910077722432, 0.488399681651699, 0.214274163161675, 0.226073200069370,
     455.478499142212],
)  # fmt: skip
WAMPLER3 = (
    [760, -2042, 2111, -1684, 3888, 1858, 11379, 17560, 39287, 64382, 113159, 175108, 273291, 400186, 581243, 811568,
     1121004, 1506550, 2002767, 2611612, 3369180],
    [[float(x) ** power for x in range(21)] for power in range(1, 6)],
    [1.0] * 6, [2152.32624678170, 2363.55173469681, 779.343524331583, 101.475507550350, 5.64566512170752, 0.112324854679312],
)  # fmt: skip


@pytest.mark.parametrize("case", [NORRIS, LONGLEY, WAMPLER3], ids=["Norris", "Longley", "Wampler3"])
def test_the_solver_on_certified_regressions(case) -> None:  # type: ignore[no-untyped-def]
    y, columns, expected, errors = case
    design = np.array([[1.0] * len(y), *columns]).T
    solution, covariance, _, _ = least_squares(design, np.array(y, dtype=float))
    np.testing.assert_allclose(solution, expected, rtol=1e-7)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), errors, rtol=1e-7)


def curve(
    seed: int, waves: dict[int, tuple[float, float]], noise: float, points: int = 300, turns: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """Angles anyhow over some turns, and waves of amplitude and phase with noise. [rad]"""
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * math.pi * turns, points))
    return angle, sum(a * np.sin(h * angle - p) for h, (a, p) in waves.items()) + rng.normal(0, noise, points)


def test_coefficients_lie_within_their_intervals() -> None:
    """200 repetitions of 6 coefficients: 95 % of the intervals by Student's law hold the truth, within 3 deviations."""
    waves = {1: (50.0, 0.3), 2: (8.0, 1.0), 5: (2.0, 2.0)}
    truth = np.array([f(p) * a * sign for a, p in waves.values() for f, sign in ((math.sin, -1), (math.cos, 1))])
    covered, repetitions = 0, 200
    for seed in range(repetitions):
        angle, error = curve(seed, waves, 3.0, 60, 2.3)
        fit = fit_harmonics(angle, error, list(waves), np.zeros(60))
        half = stats.t.ppf(0.975, 60 - 7) * np.sqrt(np.diag(fit.covariance))
        covered += int(np.sum(np.abs(fit.coefficients - truth) <= half))
    share = covered / (repetitions * 6)
    assert abs(share - 0.95) < 3 * math.sqrt(0.95 * 0.05 / (repetitions * 6)) * 1.5  # coefficients of a fit go together


def test_the_fit_is_that_of_numpy() -> None:
    angle, error = curve(1, {1: (50.0, 0.3), 3: (2.0, 1.0)}, 1.0)
    columns = [np.ones_like(angle), *(f(h * angle) for h in (1, 2, 3) for f in (np.cos, np.sin))]
    expected, *_ = np.linalg.lstsq(np.array(columns).T, error, rcond=None)
    fit = fit_harmonics(angle, error, [1, 2, 3], np.zeros(len(angle)))
    np.testing.assert_allclose(fit.coefficients, expected[1:], rtol=1e-10)
    assert fit.constant == pytest.approx(expected[0])


@pytest.mark.parametrize(("points", "orders"), [(8, [1, 7]), (12, [6]), (16, [1, 17]), (24, [12])])
def test_orders_that_alias_are_an_error(points: int, orders: list[int]) -> None:
    """At evenly spaced angles an order h and one of points - h are the same numbers. Source: Nyquist."""
    angle = np.linspace(0, 2 * math.pi, points, endpoint=False)
    read = np.tile(np.sin(angle), 4)
    with pytest.raises(IndistinguishableOrders):
        fit_harmonics(np.tile(angle, 4), read, orders, np.zeros(4 * points))
    fit_harmonics(np.tile(angle, 4), read, [1, 2], np.zeros(4 * points))


def written(folder: Path, rows: list[tuple[object, ...]], header: str = "angle [deg],error [arcsec]") -> Path:
    path = folder / "curve.csv"
    path.write_text("\n".join([header, *(",".join(map(str, row)) for row in rows)]) + "\n")
    return path


def disc(e: float, radius: float, phase: float, points: int, noise: float, seed: int) -> list[tuple[float, float]]:
    """A disc off its shaft, read exactly, with noise. [deg, arcsec]"""
    t = np.linspace(0, 2 * math.pi, points, endpoint=False)
    error = np.arctan2(e * np.sin(t - phase), radius - e * np.cos(t - phase)) / ARCSEC
    return list(
        zip(
            np.degrees(t).tolist(), (error + np.random.default_rng(seed).normal(0, noise, points)).tolist(), strict=True
        )
    )


def test_an_eccentric_disc_is_told_from_its_curve(tmp_path: Path) -> None:
    """18 um over 11.5 mm: e/R in the first order, (e/R)^2 / 2 in the second, within three standard uncertainties."""
    path = written(tmp_path, disc(18e-6, 11.5e-3, 0.7, 360, 1.5, 1))
    (sensor,) = analyse_curves(path, (1, 2, 3)).sensors
    expected = np.array([18e-6 / 11.5e-3, (18e-6 / 11.5e-3) ** 2 / 2, 0.0])
    assert np.all(np.abs(sensor.fit.amplitudes - expected) < 3.5 * sensor.fit.uncertainties)
    assert sensor.fit.noise / ARCSEC == pytest.approx(1.5, rel=0.15)


def test_both_directions_tell_the_reversal(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    up = [(a, 3 * math.sin(math.radians(a)) + 0.8 + rng.normal(0, 0.3)) for a in range(0, 360, 2)]
    down = [(a, 3 * math.sin(math.radians(a)) - 0.8 + rng.normal(0, 0.3)) for a in range(358, -1, -2)]
    (plain,) = analyse_curves(written(tmp_path, up + down)).sensors  # told from the order of the rows
    named = [(*row, "up") for row in up] + [(*row, "down") for row in down]
    (sensor_stated,) = analyse_curves(written(tmp_path, named, "angle [deg],error [arcsec],direction")).sensors
    for sensor in (plain, sensor_stated):
        assert sensor.fit.reversal / ARCSEC == pytest.approx(1.6, abs=0.15)
        assert sensor.fit.reversal_uncertainty / ARCSEC == pytest.approx(2 * 0.3 / math.sqrt(360), rel=0.2)
    (one,) = analyse_curves(written(tmp_path, up)).sensors
    assert math.isnan(one.fit.reversal)


def test_sensors_of_the_law_are_not_contradicted(tmp_path: Path) -> None:
    """Curves of 300 units drawn from the data sheet and mounting: places in the law are uniform (Kolmogorov-Smirnov, 1 %),
    and one sensor in a hundred is called too large. Source: draws of the machine itself."""
    from armsim.errormodel.distributions import Distribution, Magnitude
    from armsim.errormodel.shapes import State
    from armsim.model.mounting import Mounting
    from armsim.sampling.random_draws import draw_units
    from armsim.sampling_plan import SamplingPlan

    encoder = Encoder(
        "e",
        signal_periods=512,
        interpolation=12,
        track_radius=11e-3,
        graduation_error=Distribution("normal", 5 * ARCSEC),
    )
    mounting = Mounting(
        eccentricity=Magnitude(Distribution("uniform", 10e-6)), disc_tilt=Magnitude(Distribution("uniform", 0.01))
    )
    terms = [
        term for term in (*encoder.terms(1.0, math.pi, 1.0), *mounting.terms(encoder, 1.0, True)) if term.life == "unit"
    ]
    units, at = 300, np.linspace(0, 2 * math.pi, 48, endpoint=False)
    coefficients = draw_units(terms, SamplingPlan(units, 1, 99))
    curves, first = np.zeros((48, units)), 0
    for term in terms:
        for act in term.acts:
            curves += np.outer(act.shape.value(State.at_rest(at)), coefficients[first + act.coefficient, :units])
        first += len(term.mean)
    curves += np.random.default_rng(3).normal(0, 0.2 * ARCSEC, curves.shape)
    rows = [(f"s{n}", math.degrees(a), curves[k, n] / ARCSEC) for n in range(units) for k, a in enumerate(at.tolist())]
    path = written(tmp_path, rows, "sensor,angle [deg],error [arcsec]")
    curves = analyse_curves(path, (1, 2, 3), encoder, mounting)
    laws = [sensor.orders[0].law for sensor in curves.sensors]
    places = np.array([law.percentile for law in laws if law is not None])
    assert stats.kstest(places, "uniform").pvalue > 0.01
    assert sum(bool(sensor.contradicted) for sensor in curves.sensors) <= 3 + 3 * math.sqrt(3)


def test_an_eccentricity_of_three_times_its_tolerance_is_found(tmp_path: Path) -> None:
    path = written(tmp_path, disc(60e-6, 11.5e-3, 0.7, 360, 1.5, 1))
    scenario = tmp_path / "s.yaml"
    text = (ROOT / "scenarios" / "lessons" / "data-sheet.yaml").read_text()
    scenario.write_text(
        text.replace("../../configs", str(ROOT / "configs")).replace("{limit: 15 um, distribution: fixed}", "20 um")
    )
    answer = invoke(
        "curve", path, "--scenario", scenario, "--joint", "j1", "--orders", "1,2,3", "--out", tmp_path / "out"
    )
    assert answer.returncode == 1, answer.stderr
    assert "order 1" in answer.stdout
    names = {entry.name for entry in (tmp_path / "out").iterdir()}
    assert {"curve.json", "report.html", "report.pdf", "manifest.json", "tables", "figures"} <= names
    record = json.loads((tmp_path / "out" / "curve.json").read_text())
    jsonschema.validate(record, json.loads(invoke("schema", "curve").stdout))
    (sensor,) = record["sensors"]
    assert [row["law"]["contradicts"] for row in sensor["orders"]] == [True, False, False]
    assert "larger than expected: order 1" in (tmp_path / "out" / "report.html").read_text()
    fine = written(tmp_path, disc(9e-6, 11.5e-3, 0.7, 360, 1.5, 1))
    covered = invoke("curve", fine, "--scenario", scenario, "--joint", "j1", "--orders", "1,2,3", "--json")
    assert covered.returncode == 0, covered.stdout
    assert json.loads(covered.stdout)["sensors"][0]["orders"][0]["law"]["contradicts"] is False


def test_a_curve_without_data_sheet_claims_no_verdict(tmp_path: Path) -> None:
    path = written(tmp_path, disc(9e-6, 11.5e-3, 0.7, 360, 1.5, 1))
    curves = analyse_curves(path)
    assert curves.agrees is None
    assert curves.state == "none stated"
    assert invoke("curve", path).returncode == 0


def test_sensors_left_out_are_as_far_off_as_they_should_be(tmp_path: Path) -> None:
    """Batches of 14 drawn from one normal law: the chances are uniform over 40 batches (Kolmogorov-Smirnov, 1 %)."""
    rng, first = np.random.default_rng(11), []
    for _ in range(40):
        rows = []
        for n in range(14):
            a, b = rng.normal(0, 5, 2)
            rows += [
                (f"s{n}", t, a * math.cos(math.radians(t)) + b * math.sin(math.radians(t)) + rng.normal(0, 0.1))
                for t in range(0, 360, 15)
            ]
        curves = analyse_curves(written(tmp_path, rows, "sensor,angle [deg],error [arcsec]"), (1,))
        assert curves.leave_one_out is not None
        first += curves.leave_one_out[:1]
    assert stats.kstest(first, "uniform").pvalue > 0.01


def test_a_linear_scale(tmp_path: Path) -> None:
    rows = [(x, 2.0 * math.sin(2 * math.pi * x / 990.0)) for x in range(0, 991, 10)]
    (sensor,) = analyse_curves(written(tmp_path, rows, "position [mm],error [um]"), (1, 2)).sensors
    assert sensor.fit.amplitudes[0] == pytest.approx(2e-6, rel=1e-6)
    with pytest.raises(InputError, match="measures rotation"):
        analyse_curves(tmp_path / "curve.csv", (1,), check_file(DISC))  # type: ignore[arg-type]


GOOD = [(a, round(3 * math.sin(math.radians(a)), 6)) for a in range(0, 360, 10)]


@pytest.mark.parametrize(
    ("rows", "header", "expected"),
    [
        (GOOD, "angle [deg],error [mm]", ["curve.csv:1", "length"]),
        (GOOD, "angle,error [arcsec]", ["curve.csv:1", "has no unit"]),
        (GOOD, "angle [deg],deviation [arcsec]", ["'deviation [arcsec]' is not a known column"]),
        (GOOD, "position [deg],error [arcsec]", ["'deg' is not a unit of length"]),
        ([*GOOD[:5], (50, ""), *GOOD[6:]], "angle [deg],error [arcsec]", ["curve.csv:7", "nothing"]),
        ([*GOOD[:5], (50, "x"), *GOOD[6:]], "angle [deg],error [arcsec]", ["curve.csv:7", "'x' is not a number"]),
        ([*GOOD, GOOD[3]], "angle [deg],error [arcsec]", ["curve.csv:38", "the same as line 5"]),
        (GOOD[:5], "angle [deg],error [arcsec]", ["5 points", "8 at least"]),
        ([(a, a) for a in range(0, 360, 10)], "angle [deg],error [deg]", ["does the column hold readings"]),
        ([(*row, "left") for row in GOOD], "angle [deg],error [arcsec],direction", ["'left'", "up or down"]),
        ([], "angle [deg],error [arcsec]", ["no rows"]),
    ],
)
def test_wrong_files_are_named(
    tmp_path: Path, rows: list[tuple[object, ...]], header: str, expected: list[str]
) -> None:
    path = written(tmp_path, rows, header)
    answer = invoke("curve", path, "--out", tmp_path / "out")
    assert answer.returncode == 2
    for part in expected:
        assert part in answer.stderr
    assert not (tmp_path / "out").exists()


def test_orders_that_cannot_be_told_are_an_error_of_the_command(tmp_path: Path) -> None:
    path = written(tmp_path, GOOD)
    answer = invoke("curve", path, "--orders", "1,35")
    assert answer.returncode == 2
    assert "do not distinguish" in answer.stderr
    assert invoke("curve", path, "--orders", "1,x").returncode == 2
    assert invoke("curve", path, "--scenario", DISC).returncode == 2
    assert (
        invoke("curve", path, "--scenario", ROOT / "scenarios" / "bonding-cell.yaml", "--joint", "j9").returncode == 2
    )


def scenario_with(folder: Path, more: str, encoder_more: str = "") -> Path:
    path = folder / "s.yaml"
    path.write_text(f"""kind: scenario
name: measured
arm: {ROOT}/configs/arms/one-link.yaml
joints:
  j1:
    encoder: {{kind: encoder, name: d, measures: rotation, lines: 512, resolution: 30 bit, track_radius: 11.5 mm, graduation_error: 5 arcsec{encoder_more}}}
    placement: motor
    transmission: {{ratio: 10}}
    mounting: {{eccentricity: 20 um}}
{more}tasks: [{{kind: poses, name: t, poses: [{{name: p, joints: [20 deg]}}, {{name: q, joints: [100 deg]}}]}}]
sampling: {{units: 400, visits: 2, seed: 1}}
""")
    return path


def test_a_measured_curve_takes_the_place_of_its_causes(tmp_path: Path) -> None:
    """The joint misses by -curve / 10 at ten times its angle; the mean at the tool is that times the lever."""
    written(tmp_path, disc(18e-6, 11.5e-3, 0.7, 360, 0.01, 1))
    more = "    error_curve: {file: curve.csv, orders: [1, 2, 3, 4], replaces: [eccentricity, graduation error]}\n"
    study = armsim.load(scenario_with(tmp_path, more))
    joint = study.scenario.machine.joints[0]
    causes = {term.cause.name for term in joint.terms()}
    assert "measured curve" in causes
    assert not causes & {"eccentricity", "graduation error"}
    result = study.run(1)
    for pose, angle in zip(result.tasks[0].poses, (20.0, 100.0), strict=True):
        t = math.radians(10 * angle) - 0.7
        expected = math.atan2(18e-6 * math.sin(t), 11.5e-3 - 18e-6 * math.cos(t)) / 10 * 0.5
        assert pose.error.rms == pytest.approx(abs(expected), rel=1e-3, abs=1e-9)
    files = [Path(source.path).name for source in study.scenario.sources]
    assert "curve.csv" in files  # its hash is in the manifest


@pytest.mark.parametrize(
    ("curve_key", "expected"),
    [
        ("orders: [1, 2], replaces: [graduation error]", ["replaces", "order 1", "'eccentricity'", "count twice"]),
        ("orders: [1, 2], replaces: [eccentricity, disc tilt]", ["replaces", "'disc tilt' is not stated"]),
        ("orders: [1, 359], replaces: [eccentricity, graduation error]", ["orders", "do not distinguish"]),
        ("orders: [], replaces: [eccentricity]", ["error_curve.orders"]),
        ("sensor: x, orders: [1], replaces: [eccentricity]", ["no sensor 'x'"]),
    ],
)
def test_wrong_curves_in_a_scenario_are_named(tmp_path: Path, curve_key: str, expected: list[str]) -> None:
    written(tmp_path, disc(18e-6, 11.5e-3, 0.7, 360, 0.01, 1))
    path = scenario_with(tmp_path, f"    error_curve: {{file: curve.csv, {curve_key}}}\n")
    with pytest.raises(InputError) as caught:
        load_scenario(path)
    text = "\n".join(str(problem) for problem in caught.value.problems)
    for part in expected:
        assert part in text


def test_a_batch_becomes_the_law_of_the_population(tmp_path: Path) -> None:
    """Thirty sensors: the population has the mean square, at every angle, that the batch has about it."""
    rng = np.random.default_rng(21)
    rows: list[tuple[object, ...]] = []
    for n in range(30):
        sensor = disc(abs(rng.normal(0, 8e-6)), 11.5e-3, rng.uniform(0, 2 * math.pi), 72, 0.05, n)
        rows += [(f"s{n}", *row) for row in sensor]
    path = written(tmp_path, rows, "sensor,angle [deg],error [arcsec]")
    key = ", error_curves: {file: curve.csv, orders: [1, 2], replaces: [eccentricity, graduation error]}"
    study = armsim.load(scenario_with(tmp_path, "", key)).with_plan(units=20_000)
    result = study.run(1)
    for pose, angle in zip(result.tasks[0].poses, (20.0, 100.0), strict=True):
        t = math.radians(10 * angle)
        fits = [fit_harmonics(c.angle, c.error, [1, 2], c.direction) for c in read_curves(path)]
        square = np.mean([float(fit.evaluate(np.array([t]))[0]) ** 2 for fit in fits]) * (30 / 29)  # of a sample of 30
        expected = math.sqrt(square) / 10 * 0.5
        assert pose.error.rms == pytest.approx(expected, rel=0.05)
    few = written(tmp_path, rows[: 72 * 3], "sensor,angle [deg],error [arcsec]")
    assert few.exists()
    with pytest.raises(InputError, match="3 sensors"):
        load_scenario(tmp_path / "s.yaml")


@pytest.mark.parametrize("text", ["1,01", "0", "1,x", "1_0", "1,,2", "100000001"])
def test_orders_are_whole_numbers_each_once(text: str) -> None:
    from armsim.cli.curve import _orders

    with pytest.raises(InputError, match="--orders"):
        _orders(text)
    assert _orders(" 1, 256") == (1, 256)
