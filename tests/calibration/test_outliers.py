"""Wrong readings: deletion residuals by brute force, named by their lines, sound arms left alone, contradictions first."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import measured_arm
import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import Rotation
from support import invoke
from test_registration import FITTED, SEVEN, session, transformed
from test_verify import INSTRUMENT, places

import armsim
from armsim.calibration.identified_arms import SessionIdentification
from armsim.calibration.measured_population import measured_units
from armsim.calibration.measurement_setup import Setup
from armsim.calibration.outlying_readings import Prediction, ScreenedArm, screen_outliers
from armsim.calibration.rank_tests import SIGNIFICANT, TESTS
from armsim.calibration.reading_noise import ReadingNoise
from armsim.calibration.verify import References, verify
from armsim.documents.measured_points import MeasuredArm
from armsim.model.calibration_plan import Calibration, Identified
from armsim.report.verification_review import sentence
from armsim.study import Study

CELL = measured_arm.SCENARIO
LINE = 58
"""Of the file of the invented arm: pose m2."""


@pytest.mark.parametrize("alike", [True, False])
@pytest.mark.parametrize(("counts", "free"), [((3, 1, 2, 4), 0), ((3, 1, 2, 4), 4), ((1, 1, 1, 1), 4)])
def test_deletion_residuals_are_those_of_brute_force(counts: tuple[int, ...], free: int, alike: bool) -> None:
    """Every reading against generalised least squares on all others, with all of them in one covariance; columns that are
    fitted have no prior; readings of a pose alike, or each with a covariance of its own. Source: Kriging with a trend, Cressie, Statistics for Spatial Data (1993), 3.4."""
    rng = np.random.default_rng(3)
    poses, many = len(counts), sum(counts)
    causes, columns = rng.normal(size=(3 * poses, 20)), rng.normal(size=(3 * poses, free))
    roots = [rng.normal(size=(1 if alike else count, 3, 3)) for count in counts]
    visit = [np.broadcast_to(r @ np.swapaxes(r, 1, 2), (count, 3, 3)) for r, count in zip(roots, counts, strict=True)]
    noise = ReadingNoise(tuple(root @ np.swapaxes(root, 1, 2) for root in roots), counts)
    mean, truth = rng.normal(size=3 * poses), rng.normal(size=3 * poses)
    visits = [truth[3 * n : 3 * n + 3] + rng.normal(size=(count, 3)) for n, count in enumerate(counts)]
    within = causes @ causes.T
    for n in range(poses):
        within[3 * n : 3 * n + 3, 3 * n : 3 * n + 3] += np.linalg.inv(np.linalg.inv(visit[n]).sum(axis=0))
    inverse = np.linalg.inv(within)
    if free:
        inverse -= inverse @ columns @ np.linalg.solve(columns.T @ inverse @ columns, columns.T @ inverse)
    prediction = Prediction(mean, inverse, noise)
    rows = np.repeat(np.arange(poses), counts)
    select = np.zeros((3 * many, 3 * poses))
    joint = np.zeros((3 * many, 3 * many))
    for n, pose in enumerate(rows):
        select[3 * n : 3 * n + 3, 3 * pose : 3 * pose + 3] = np.eye(3)
        joint[3 * n : 3 * n + 3, 3 * n : 3 * n + 3] = visit[pose][n - int(np.searchsorted(rows, pose))]
    joint += select @ causes @ causes.T @ select.T
    trend, away = select @ columns, np.concatenate([v.ravel() for v in visits]) - select @ mean
    squares = prediction.squares(visits)
    for n in range(many):
        gone = np.zeros(3 * many, bool)
        gone[3 * n : 3 * n + 3] = True
        precision = np.linalg.inv(joint[np.ix_(~gone, ~gone)])
        weights = joint[np.ix_(gone, ~gone)] @ precision
        leftover = trend[gone] - weights @ trend[~gone]
        normal = np.linalg.inv(trend[~gone].T @ precision @ trend[~gone])
        fitted = normal @ trend[~gone].T @ precision @ away[~gone]
        residual = away[gone] - weights @ away[~gone] - leftover @ fitted
        covariance = joint[np.ix_(gone, gone)] - weights @ joint[np.ix_(~gone, gone)] + leftover @ normal @ leftover.T
        pose = int(rows[n])
        got = prediction.deletion_residual(visits, pose, n - int(np.searchsorted(rows, pose)))
        np.testing.assert_allclose(got[0], residual, rtol=1e-6, atol=1e-8)
        np.testing.assert_allclose(got[1], covariance, rtol=1e-6, atol=1e-8)
        assert squares[n] == pytest.approx(residual @ np.linalg.solve(covariance, residual), rel=1e-6)


def spoiled(path: Path, sizes: dict[int, float]) -> Path:
    """The file of the invented arm, readings of some lines moved along y by so many millimetres."""
    lines = measured_arm.FILE.read_text().splitlines()
    for line, size in sizes.items():
        cells = lines[line - 1].split(",")
        cells[3] = f"{float(cells[3]) + size:.4f}"
        lines[line - 1] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize("size", [30.0, 0.5])
def test_a_wrong_reading_is_named_first_and_causes_are_told_without_it(tmp_path: Path, size: float) -> None:
    path = spoiled(tmp_path / "m.csv", {LINE: size})
    answer = invoke("verify", CELL, "--measured", path, "--json")
    assert answer.returncode == 1, answer.stderr
    (arm,) = json.loads(answer.stdout)["arms"]
    (outlier,) = arm["outliers"]
    assert (outlier["file"], outlier["line"], outlier["pose"]) == ("m.csv", LINE, "m2")
    assert outlier["distance"] == pytest.approx(1e-3 * size, abs=50e-6)
    assert 5e-6 < outlier["expected"] < 50e-6
    assert (arm["causes"][0]["cause"], arm["causes"][0]["owner"]) == ("eccentricity", "j2")
    if size < 30.0:
        return
    left_out = invoke("verify", CELL, "--measured", path, "--exclude", LINE, "--json")
    record = json.loads(left_out.stdout)
    assert record["excluded"] == [LINE]
    assert f"left out by --exclude: line {LINE}" in left_out.stderr
    assert record["arms"][0]["outliers"] == []
    assert record["arms"][0]["causes"] == arm["causes"]


def test_the_sentence_about_a_wrong_reading_stands_before_tables_and_page(tmp_path: Path) -> None:
    path = spoiled(tmp_path / "m.csv", {LINE: 30.0, 102: -2.0})
    answer = invoke("verify", CELL, "--measured", path, "--out", tmp_path / "out")
    first = answer.stdout.splitlines()[0]
    assert first.startswith(f"m.csv, line {LINE} (m2): 30.0")
    assert "m.csv, line 102 (m4): " in first
    assert "without them, m is not as predicted" in first
    assert "from its prediction by all other readings" in (tmp_path / "out" / "report.html").read_text()


def test_causes_are_named_at_the_level_of_the_verdict() -> None:
    """An arm called wrong for its scatter alone, a cause of which lies far off by chance: none is named."""
    study = armsim.load(CELL)
    arm = verify(study, measured_arm.FILE).arms[0]
    assert "most likely eccentricity of j2" in sentence(arm)
    causes = tuple(replace(row, significant=False) for row in arm.causes)
    assert max(row.deviations for row in causes) > 2.0
    scattered = replace(arm, p_value=0.008, scatter_p_value=arm.level / 2, causes=causes, compatible=False)
    text = sentence(scattered)
    assert "visits scatter as much" in text
    assert "no single cause stands out" in text
    assert "most likely" not in text
    assert "arm of the population deviates as much" not in text


@pytest.mark.parametrize("text", ["1", "58,x", "900", ""])
def test_lines_that_cannot_be_excluded_are_an_error(text: str) -> None:
    answer = invoke("verify", CELL, "--measured", measured_arm.FILE, "--exclude", text)
    assert answer.returncode == 2
    assert "--exclude" in answer.stderr


def numbered(name: str, names: list[str], joints: np.ndarray, visits: list[np.ndarray]) -> MeasuredArm:
    """An arm whose readings stand in a file one after the other."""
    ends = np.cumsum([0, *(len(rows) for rows in visits)]) + 2
    lines = {pose: tuple(range(a, b)) for pose, a, b in zip(names, ends, ends[1:], strict=False)}
    points = dict(zip(names, visits, strict=True))
    return MeasuredArm(name, points, dict(zip(names, joints, strict=True)), points=points, lines=lines)


CASES = [
    (measured_arm.SCENARIO, "known", 4),
    (measured_arm.SCENARIO, "identified", 1),
    (SEVEN, "known", 1),
    (SEVEN, "identified", 3),
]


@cache
def sampled(name: Path, frame: str, count: int) -> tuple[Study, References, list[MeasuredArm]]:
    """300 sound arms, in frames of their own where these are fitted, and the reference for their readings."""
    study = session(name, replace(FITTED, pose=frame, target=frame), 24)
    names, joints, _ = places(study)
    units = list(measured_units(study.scenario.machine, joints, [count] * len(names), INSTRUMENT, 300, 2))
    arms = []
    for unit in range(300):
        visits = [rows[unit] for rows in units]
        if frame == "identified":
            rng = np.random.default_rng(unit)
            visits = transformed(study, visits, Rotation.random(random_state=unit), rng.normal(0, 2.0, 3), np.zeros(3))
        arms.append(numbered("a", names, joints, visits))
    return study, References(Setup.of(study, None), study, Path("m.csv"), 1), arms


@pytest.mark.parametrize(("name", "frame", "count"), CASES)
def test_sound_arms_have_no_wrong_reading(name: Path, frame: str, count: int) -> None:
    """Of 300 arms as many as the share of the false alarms allows. Source: binomial bound at 99 %."""
    _, references, arms = sampled(name, frame, count)
    alarm, reference = (
        SIGNIFICANT / TESTS,
        references.distributions_for(references.setup.register(arms[0], Path("m.csv"))).readings,
    )
    # at a level at which there is something to count; then those of them at that of the tool
    suspects = [arm for arm in arms if named(screen_outliers(arm, "m.csv", references.refit, reference, 0.05))]
    assert len(suspects) <= stats.binom.ppf(0.99, len(arms), 0.05)
    wrong = [arm for arm in suspects if named(screen_outliers(arm, "m.csv", references.refit, reference, alarm))]
    assert len(wrong) <= stats.binom.ppf(0.99, len(arms), alarm)


def named(screen: ScreenedArm) -> bool:
    """Whether a reading is called wrong, or too many stand out."""
    return bool(screen.outliers) or screen.too_many_outliers


@pytest.mark.parametrize(("name", "frame", "count"), CASES)
def test_a_reading_ten_deviations_off_is_found(name: Path, frame: str, count: int) -> None:
    """Moved by ten standard deviations of its predicted deletion residual, in a direction at random: named in more than
    95 % of 100 arms (binomial bound at 99 %), and no other with it."""
    _, references, arms = sampled(name, frame, count)
    alarm, reference = (
        SIGNIFICANT / TESTS,
        references.distributions_for(references.setup.register(arms[0], Path("m.csv"))).readings,
    )
    hits, others = 0, 0
    for unit, arm in enumerate(arms[:100]):
        rng = np.random.default_rng(unit)
        pose, visit = int(rng.integers(len(arm.visits))), int(rng.integers(count))
        prediction, registered = references.refit(arm)
        _, covariance = prediction.deletion_residual(list(registered.visits.values()), pose, visit)
        toward = rng.normal(size=3)
        step = 10.0 * toward / np.sqrt(toward @ np.linalg.solve(covariance, toward))
        label = list(arm.visits)[pose]
        back = np.eye(3)
        if references.setup.fits_registration:
            back = Rotation.random(random_state=unit).as_matrix()
        points = {key: rows.copy() for key, rows in arm.points.items()}
        points[label][visit] += back @ step
        wrong = replace(arm, points=points, visits=points)
        lines = [
            outlier.line for outlier in screen_outliers(wrong, "m.csv", references.refit, reference, alarm).outliers
        ]
        hits += arm.lines[label][visit] in lines
        others += len(set(lines) - {arm.lines[label][visit]})
    assert hits >= stats.binom.ppf(0.01, 100, 0.95)
    assert others <= stats.binom.ppf(0.99, 100, alarm)


def test_no_reading_is_called_wrong_where_too_many_are() -> None:
    """Of 96 readings nine, a tenth, are named; of ten none is, and the arm is said to be crowded with them."""
    _, references, arms = sampled(*CASES[0])
    alarm, reference = (
        SIGNIFICANT / TESTS,
        references.distributions_for(references.setup.register(arms[0], Path("m.csv"))).readings,
    )
    for count in (9, 10):
        visits = {pose: rows.copy() for pose, rows in arms[0].visits.items()}
        for pose in list(visits)[:count]:
            visits[pose][1] += [0.0, 2e-3, 0.0]
        screen = screen_outliers(
            replace(arms[0], visits=visits, points=visits), "m.csv", references.refit, reference, alarm
        )
        wrong = {arms[0].lines[pose][1] for pose in list(visits)[:count]} if count == 9 else set()
        assert {outlier.line for outlier in screen.outliers} == wrong
        assert screen.too_many_outliers == (count == 10)


def test_calibrate_names_the_reading_first_and_identifies_without_it(tmp_path: Path) -> None:
    """A reading 30 mm off: exit 1, the contradiction before all else; the parameters are those of the file without it."""
    path = spoiled(tmp_path / "m.csv", {LINE: 30.0})
    words = ("calibrate", CELL, "--measured", path, "--units", 60)
    answer = invoke(*words, "--out", tmp_path / "out")
    assert answer.returncode == 1, answer.stderr
    first = answer.stdout.splitlines()[0]
    assert first.startswith(f"the readings of m contradict the prediction: m.csv, line {LINE} (m2): 30.0")
    assert "m is identified without it" in first
    record = json.loads((tmp_path / "out" / "calibrate.json").read_text())
    assert list(record)[:2] == ["format", "contradicting"]
    assert record["contradicting"] == ["m"]
    assert [outlier["line"] for outlier in record["arms"][0]["fit"]["outliers"]] == [LINE]
    page = (tmp_path / "out" / "report.html").read_text()
    assert page.index("contradict the prediction") < page.index("the repeatable error of a built arm falls")
    sound = invoke(*words, "--exclude", LINE, "--out", tmp_path / "sound", "--json")
    assert "left out by --exclude: line 58" in sound.stderr
    assert "--exclude 58" in json.loads((tmp_path / "sound" / "manifest.json").read_text())["command"]
    other = json.loads(sound.stdout)
    assert other["contradicting"] == []
    assert other["excluded"] == [LINE]
    assert other["arms"][0]["values"] == record["arms"][0]["values"]


def test_lines_are_excluded_of_a_measured_file_alone() -> None:
    answer = invoke("calibrate", CELL, "--exclude", LINE)
    assert answer.returncode == 2
    assert "no --measured" in answer.stderr


@pytest.mark.parametrize("prior", [False, True])
def test_the_misfit_of_sound_arms_is_chi_square_with_the_stated_degrees_of_freedom(prior: bool) -> None:
    """Fifteen parameters identified from 24 poses of three readings, frame and target among them: 72 less 15 degrees of
    freedom of the poses, 144 of the visits, where the demo's laws are near enough to normal. 60 arms: chances by rank are
    uniform, no more of them contradict than one in a hundred, mean and variance of chi-square are those of its law."""
    study = session(CELL, FITTED, 24)
    calibration = Calibration(FITTED, identify=Identified(zeros=True), prior=prior)
    study = study.with_scenario(calibration=calibration)
    names, joints, _ = places(study)
    reading = SessionIdentification(study, Path("m.csv"), Setup.of(study, None), calibration, SIGNIFICANT / 3)
    simulated = list(measured_units(study.scenario.machine, joints, [3] * len(names), INSTRUMENT, 60, 2))
    fits = []
    for unit in range(60):
        turn, rng = Rotation.random(random_state=unit), np.random.default_rng(unit)
        visits = transformed(study, [rows[unit] for rows in simulated], turn, rng.normal(0, 2.0, 3), np.zeros(3))
        fits.append(reading.fit_arm(numbered("a", names, joints, visits)).fit)
    # a zero of the first joint is a turn of the instrument, one of the last a place of the target: no more than 15
    assert 3 * 24 - 15 <= fits[0].degrees_of_freedom <= 3 * 24 - 9 - 4
    assert {fit.degrees_of_freedom for fit in fits} == {fits[0].degrees_of_freedom}
    assert fits[0].scatter_degrees_of_freedom == 3 * 24 * 2
    assert sum(fit.contradicts for fit in fits) <= stats.binom.ppf(0.99, len(fits), SIGNIFICANT)
    assert stats.kstest([fit.p_value for fit in fits], "uniform").pvalue > 0.01
    assert stats.kstest([fit.scatter_p_value for fit in fits], "uniform").pvalue > 0.01
    squares = np.array([fit.chi_square for fit in fits])
    assert squares.mean() == pytest.approx(
        fits[0].degrees_of_freedom, abs=4.0 * np.sqrt(2.0 * fits[0].degrees_of_freedom / len(fits))
    )
