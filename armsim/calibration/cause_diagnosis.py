"""Which causes moved in a measured arm, and whether the tolerances fit several arms."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from armsim.calibration.calibration_records import CauseRecord, ScaleRecord
from armsim.calibration.posterior import Update
from armsim.calibration.rank_tests import Ranked


def causes(updated: Update, ranked: Ranked) -> tuple[CauseRecord, ...]:
    """What the measurement says of every cause that it tells something of, the least likely first."""
    out, linear = [], updated.estimator.linear
    parts = list(linear.parts())
    for n, chance in ranked.by_cause.items():
        term, own = parts[n]
        prior = linear.prior[own, own]
        inverse = np.linalg.pinv(prior, rcond=1e-9, hermitian=True)
        rank = int(np.linalg.matrix_rank(prior, tol=1e-9 * float(np.trace(prior)), hermitian=True))
        moved = updated.coefficients[own] - linear.prior_mean[own]
        deviations = float(np.sqrt(max(float(moved @ inverse @ moved), 0.0) / max(rank, 1)))
        joint, _, name = term.name.partition("/")
        known, stands_out = updated.estimator.known(own), n in ranked.causes_judged
        out.append(CauseRecord(joint, term.cause.name, name or term.name, deviations, known, chance, stands_out))
    return tuple(sorted(out, key=lambda own: (own.chance, -own.deviations)))


def scales(arms: Sequence[Update]) -> tuple[ScaleRecord, ...]:
    """Of several arms, cause by cause: the spread that they show over the one that is stated, with its interval.

    The estimate of a coefficient scatters by what is known of it, prior less posterior; the sum of squares in those
    units is, for normal coefficients, of the chi-square law of as many degrees of freedom.
    """
    from scipy.stats import chi2

    if len(arms) < 2:
        return ()
    squares: dict[str, list[float]] = {}
    for updated in arms:
        estimator, parts = updated.estimator, list(updated.estimator.linear.parts())
        for n in estimator.causes:
            term, own = parts[n]
            shrunk = estimator.told(own)
            values, vectors = np.linalg.eigh(shrunk)
            kept = values > 1e-3 * values[-1]
            moved = (updated.coefficients[own] - estimator.linear.prior_mean[own]) @ vectors[:, kept]
            entry = squares.setdefault(term.cause.name, [0.0, 0.0])
            entry[0] += float(np.sum(moved**2 / values[kept]))
            entry[1] += int(np.count_nonzero(kept))
    out = []
    for cause, (total, freedom) in squares.items():
        low, high = (float(np.sqrt(total / chi2.ppf(p, freedom))) for p in (0.975, 0.025))
        out.append(ScaleRecord(cause, float(np.sqrt(total / freedom)), (low, high), int(freedom)))
    return tuple(sorted(out, key=lambda own: -abs(np.log(max(own.scale, 1e-12)))))
