"""Diagnosis of causes: causes that deviate in a measured arm, and spreads of causes estimated from several arms."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from armsim.calibration.calibration_records import CauseRecord, ScaleRecord
from armsim.calibration.posterior import Posterior
from armsim.calibration.rank_tests import SIGNIFICANT, RankTests
from armsim.calibration.variance_components import Components
from armsim.sampling.statistics import holm


def cause_records(posterior: Posterior, ranks: RankTests) -> tuple[CauseRecord, ...]:
    """Records of all causes that the measurement resolves at least in part, the smallest p-value first.

    Parameters
    ----------
    posterior : Posterior
        Posterior of the measured arm.
    ranks : RankTests
        P-values of that arm from its ranks among simulated arms.

    Returns
    -------
    tuple of CauseRecord
    """
    out, linear = [], posterior.estimator.linear
    terms_with_slices = list(linear.terms_with_slices())
    for n, p_value in ranks.by_cause.items():
        term, term_slice = terms_with_slices[n]
        prior_covariance = linear.prior_covariance[term_slice, term_slice]
        inverse = np.linalg.pinv(prior_covariance, rcond=1e-9, hermitian=True)
        rank = int(
            np.linalg.matrix_rank(prior_covariance, tol=1e-9 * float(np.trace(prior_covariance)), hermitian=True)
        )
        shift = posterior.coefficients[term_slice] - linear.prior_mean[term_slice]
        deviations = float(np.sqrt(max(float(shift @ inverse @ shift), 0.0) / max(rank, 1)))
        name = term.name.rpartition("/")[2]
        share, stands_out = posterior.estimator.resolved_share(term_slice), n in ranks.significant_causes
        out.append(CauseRecord(term.joint_or_link, term.cause.name, name, deviations, share, p_value, stands_out))
    return tuple(sorted(out, key=lambda cause: (cause.p_value, -cause.deviations)))


def scale_records(arms: Sequence[Posterior], seed: int) -> tuple[tuple[ScaleRecord, ...], tuple[str, ...]]:
    """Ratio of estimated to stated spread of every cause over several arms.

    Causes are significant by p-value over all causes (Holm).

    Parameters
    ----------
    arms : sequence of Posterior
        Posteriors of the measured arms.
    seed : int
        Seed of the drawn arms that calibrate the p-values.

    Returns
    -------
    records : tuple of ScaleRecord
        The smallest p-value first; empty for fewer than two arms.
    unresolved : tuple of str
        Causes whose spread the arms do not resolve.
    """
    if len(arms) < 2:
        return (), ()
    components = Components.of(arms, seed)
    profiles = [components.profile(n) for n in range(len(components.groups))]
    p_values = [profile.p_value() for profile in profiles]
    out = [
        ScaleRecord(group, profile.factor, profile.interval(), p_value, significant)
        for group, profile, p_value, significant in zip(
            components.groups, profiles, p_values, holm(p_values, SIGNIFICANT), strict=True
        )
    ]
    return tuple(sorted(out, key=lambda record: record.p_value)), components.unresolved
