"""What measured tool points tell of the coefficients of an arm, and several arms of the tolerances."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.hardware.population import Linear
from armsim.hardware.records import CauseRecord, ExpectedRecord, ScaleRecord

SURE = 0.01
"""Share of its prior variance that must be known of a cause before it is told whether it moved."""


@dataclass(frozen=True, eq=False)
class Update:
    """Unit coefficients after the measurement: the best linear estimate and its covariance.

    References
    ----------
    .. [1] Gauss-Markov with prior moments: Tarantola, Inverse Problem Theory (2005), 3.2.
    """

    coefficients: Array
    covariance: Array
    left_out: list[float]

    @staticmethod
    def of(linear: Linear, displacement: Array, counts: Sequence[int], instrument: float) -> Update:
        noise = linear.noise(counts, instrument)
        within = linear.gain @ linear.prior @ linear.gain.T + noise
        inverse = np.linalg.pinv(within, rcond=1e-12, hermitian=True)
        reach = linear.prior @ linear.gain.T
        away = displacement - linear.mean
        coefficients = linear.prior_mean + reach @ inverse @ away
        covariance = linear.prior - reach @ inverse @ reach.T
        # the residual of a pose that is left out, and its covariance, from the inverse of the whole
        left_out = []
        for n in range(len(counts)):
            part = slice(3 * n, 3 * n + 3)
            own = np.linalg.pinv(inverse[part, part], hermitian=True)
            residual = own @ (inverse @ away)[part]
            left_out.append(float(residual @ np.linalg.pinv(own, hermitian=True) @ residual / 3.0))
        return Update(coefficients, covariance, left_out)


def expected(updated: Update, everywhere: Linear, names: Sequence[str]) -> tuple[ExpectedRecord, ...]:
    """Displacement expected of this very arm at every pose, and the standard deviation that is left of it."""
    mean = (everywhere.gain @ updated.coefficients + everywhere.fixed).reshape(-1, 3)
    out = []
    for n, name in enumerate(names):
        rows = everywhere.gain[3 * n : 3 * n + 3]
        left = float(np.sqrt(max(np.trace(rows @ updated.covariance @ rows.T), 0.0)))
        prior = float(np.sqrt(max(np.trace(rows @ everywhere.prior @ rows.T), 0.0)))
        x, y, z = mean[n].tolist()
        out.append(ExpectedRecord(name, (x, y, z), float(np.linalg.norm(mean[n])), left, prior))
    return tuple(out)


def causes(updated: Update, linear: Linear) -> tuple[CauseRecord, ...]:
    """What the measurement says of every cause: by how many standard deviations it moved, how much of it is known."""
    out, at = [], 0
    for term in linear.terms:
        own = slice(at, at + len(term.mean))
        at += len(term.mean)
        prior, post = linear.prior[own, own], updated.covariance[own, own]
        size = float(np.trace(prior))
        if size <= 0.0:
            continue
        known = 1.0 - float(np.trace(post)) / size
        inverse = np.linalg.pinv(prior, rcond=1e-9, hermitian=True)
        rank = int(np.linalg.matrix_rank(prior, tol=1e-9 * size, hermitian=True))
        moved = updated.coefficients[own] - linear.prior_mean[own]
        deviations = float(np.sqrt(max(float(moved @ inverse @ moved), 0.0) / max(rank, 1)))
        joint, _, name = term.name.partition("/")
        out.append(CauseRecord(joint, term.cause, name or term.name, deviations, known))
    return tuple(sorted((own for own in out if own.known > SURE), key=lambda own: -own.deviations))


def scales(arms: Sequence[tuple[Update, Linear]]) -> tuple[ScaleRecord, ...]:
    """Of several arms, cause by cause: the spread that they show over the one that is stated, with its interval.

    The estimate of a coefficient scatters by what is known of it, prior less posterior; the sum of squares in those
    units is, for normal coefficients, of the chi-square law of as many degrees of freedom.
    """
    from scipy.stats import chi2

    if len(arms) < 2:
        return ()
    squares: dict[str, list[float]] = {}
    for updated, linear in arms:
        at = 0
        for term in linear.terms:
            own = slice(at, at + len(term.mean))
            at += len(term.mean)
            shrunk = linear.prior[own, own] - updated.covariance[own, own]
            size = float(np.trace(linear.prior[own, own]))
            if size <= 0.0 or float(np.trace(shrunk)) <= SURE * size:
                continue
            values, vectors = np.linalg.eigh(shrunk)
            kept = values > 1e-3 * values[-1]
            moved = (updated.coefficients[own] - linear.prior_mean[own]) @ vectors[:, kept]
            entry = squares.setdefault(term.cause, [0.0, 0.0])
            entry[0] += float(np.sum(moved**2 / values[kept]))
            entry[1] += int(np.count_nonzero(kept))
    out = []
    for cause, (total, freedom) in squares.items():
        low, high = (float(np.sqrt(total / chi2.ppf(p, freedom))) for p in (0.975, 0.025))
        out.append(ScaleRecord(cause, float(np.sqrt(total / freedom)), (low, high), int(freedom)))
    return tuple(sorted(out, key=lambda own: -abs(np.log(max(own.scale, 1e-12)))))
