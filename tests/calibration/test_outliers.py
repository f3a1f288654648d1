"""Wrong readings: deletion residuals by brute force."""

from __future__ import annotations

import numpy as np
import pytest

from armsim.calibration.outlying_readings import Prediction


@pytest.mark.parametrize(("counts", "free"), [((3, 1, 2, 4), 0), ((3, 1, 2, 4), 4), ((1, 1, 1, 1), 4)])
def test_deletion_residuals_are_those_of_brute_force(counts: tuple[int, ...], free: int) -> None:
    """Every reading against generalised least squares on all others, with all of them in one covariance; columns that are
    fitted have no prior. Source: Kriging with a trend, Cressie, Statistics for Spatial Data (1993), 3.4."""
    rng = np.random.default_rng(3)
    poses, many = len(counts), sum(counts)
    causes, columns = rng.normal(size=(3 * poses, 20)), rng.normal(size=(3 * poses, free))
    roots = rng.normal(size=(poses, 3, 3))
    visit = roots @ np.swapaxes(roots, 1, 2)
    mean, truth = rng.normal(size=3 * poses), rng.normal(size=3 * poses)
    visits = [truth[3 * n : 3 * n + 3] + rng.normal(size=(count, 3)) for n, count in enumerate(counts)]
    within = causes @ causes.T
    for n, count in enumerate(counts):
        within[3 * n : 3 * n + 3, 3 * n : 3 * n + 3] += visit[n] / count
    inverse = np.linalg.inv(within)
    if free:
        inverse -= inverse @ columns @ np.linalg.solve(columns.T @ inverse @ columns, columns.T @ inverse)
    prediction = Prediction(mean, inverse, visit, counts)
    rows = np.repeat(np.arange(poses), counts)
    select = np.zeros((3 * many, 3 * poses))
    whole = np.zeros((3 * many, 3 * many))
    for n, pose in enumerate(rows):
        select[3 * n : 3 * n + 3, 3 * pose : 3 * pose + 3] = np.eye(3)
        whole[3 * n : 3 * n + 3, 3 * n : 3 * n + 3] = visit[pose]
    whole += select @ causes @ causes.T @ select.T
    trend, away = select @ columns, np.concatenate([v.ravel() for v in visits]) - select @ mean
    squares = prediction.squares(visits)
    for n in range(many):
        gone = np.zeros(3 * many, bool)
        gone[3 * n : 3 * n + 3] = True
        known = np.linalg.inv(whole[np.ix_(~gone, ~gone)])
        weights = whole[np.ix_(gone, ~gone)] @ known
        rest = trend[gone] - weights @ trend[~gone]
        normal = np.linalg.inv(trend[~gone].T @ known @ trend[~gone])
        fitted = normal @ trend[~gone].T @ known @ away[~gone]
        residual = away[gone] - weights @ away[~gone] - rest @ fitted
        covariance = whole[np.ix_(gone, gone)] - weights @ whole[np.ix_(~gone, gone)] + rest @ normal @ rest.T
        pose = int(rows[n])
        got = prediction.deleted(visits, pose, n - int(np.searchsorted(rows, pose)))
        np.testing.assert_allclose(got[0], residual, rtol=1e-6, atol=1e-8)
        np.testing.assert_allclose(got[1], covariance, rtol=1e-6, atol=1e-8)
        assert squares[n] == pytest.approx(residual @ np.linalg.solve(covariance, residual), rel=1e-6)
