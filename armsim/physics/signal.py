"""Errors of the analogue sine and cosine signals, from which the position within a signal period is computed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from armsim import causes
from armsim.arrays import Array
from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.draws import Draw
from armsim.errormodel.shapes import Constant, Wave
from armsim.errormodel.terms import SHAFT, Act, PolarHarmonic, Term, independent, polar, unknown_curve


def sub_divisional_error(
    order: float,
    offset: Distribution = NONE,
    amplitude_mismatch: Distribution = NONE,
    phase_error: Distribution = NONE,
    correction: float = 0.0,
    heads: int = 1,
) -> tuple[Term, ...]:
    """Sub-divisional error: error within a signal period from imperfect sine and cosine signals.

    Let the signals be (1 + d/2) sin(p + a/2) + o_s and (1 - d/2) cos(p - a/2) + o_c. The position computed by the
    arctangent is then too large by

        (o_s cos p - o_c sin p + d/2 sin 2p + a/2 cos 2p) / order,   p = order * position

    to first order. The zero of the joint lies at an unknown place within a period. So mismatch and phase error each
    have a random phase, uniform over the circle. The errors of M heads are independent: the rms falls by 1/sqrt(M).

    Neglected: products of two of o_s, o_c, d and a.

    Parameters
    ----------
    order : float
        Signal phase per unit of position. [rad/rad or rad/m]
    offset : Distribution
        o_s and o_c, offsets of the signals over their amplitude, drawn independently. [1]
    amplitude_mismatch : Distribution
        d, difference of the two amplitudes over their mean. [1]
    phase_error : Distribution
        a, deviation of the phase difference from 90 degrees. [rad]
    correction : float
        Share of the error that a calibration of the encoder removes. [1]
    heads : int
        Number of read heads whose readings are averaged.

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad or m]

    References
    ----------
    .. [1] first order of Heydemann, Appl. Opt. 20 (1981) 3382.
    """
    single_head_gain = (1.0 - correction) / order
    gain = single_head_gain / math.sqrt(heads)
    terms: list[Term] = []
    if offset.nonzero:
        acts = (Act(0, SHAFT, Wave("cos", order, gain)), Act(1, SHAFT, Wave("sin", order, -gain)))
        limit = math.sqrt(2.0) * offset.limit * single_head_gain
        draw = RotatedPair(offset)
        terms.append(
            Term(
                "signal offset",
                causes.SIGNAL_OFFSET,
                "unit",
                acts,
                draw,
                np.zeros(2),
                np.eye(2) * offset.second_moment,
                limit,
            )
        )
    sizes = ((causes.AMPLITUDE_MISMATCH, amplitude_mismatch), (causes.PHASE_ERROR, phase_error))
    for cause, size in sizes:
        if size.nonzero:
            harmonic = PolarHarmonic(0.5 * gain, power=1, turns=1, order=2 * order)
            terms.append(
                replace(polar(cause.name, cause, size, None, (harmonic,)), limit=0.5 * size.limit * single_head_gain)
            )
    return tuple(terms)


def stated_sub_divisional_error(order: float, error: Distribution) -> tuple[Term, ...]:
    """Sub-divisional error whose size alone is stated by the data sheet.

    Each built encoder has one harmonic of random phase. It has one period per signal period (like an offset), or two
    (like a mismatch or phase error), with equal probability. Its amplitude is that of `terms.unknown_curve`. The stated
    error is that of the final reading, so several heads are already included.

    Parameters
    ----------
    order : float
        Signal phase per unit of position. [rad/rad or rad/m]
    error : Distribution
        Stated error. [rad or m]

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad or m]

    References
    ----------
    .. [1] JCGM 100:2008 4.3.7 for the standard uncertainty; Heydemann, Appl. Opt. 20 (1981) 3382 for the orders.
    """
    waves, shares = (order, 2 * order), (1.0, 1.0)
    return (unknown_curve("stated sub-divisional error", causes.SUB_DIVISIONAL_ERROR, error, waves, shares),)


@dataclass(frozen=True)
class RotatedPair(Draw):
    """Draw of two quantities of one distribution, on sine and on cosine, rotated by a random phase."""

    spread: Distribution

    @property
    def dimensions(self) -> int:
        return 3

    def from_uniform(self, uniform: Array) -> Array:
        on_sine, on_cosine = self.spread.quantile(uniform[:2])
        phase = 2 * np.pi * uniform[2]
        cosine, sine = np.cos(phase), np.sin(phase)
        return np.stack([on_sine * cosine - on_cosine * sine, on_sine * sine + on_cosine * cosine])

    @property
    def limits(self) -> tuple[float, ...]:
        """Largest magnitude of each coefficient."""
        return (math.sqrt(2.0) * self.spread.limit,) * 2


def third_harmonic(
    order: float, level: Distribution, error_periods: int = 4, correction: float = 0.0, heads: int = 1
) -> tuple[Term, ...]:
    """Sub-divisional error of signals with a third harmonic.

    The sine contains h sin 3p in addition, the cosine -h cos 3p or +h cos 3p. The sign is minus where both channels
    read the same distorted wave a quarter period apart. The position computed by the arctangent is then too large by

        h sin 4p / order      for -h cos 3p (four times per signal period)
        h sin 2p / order      for +h cos 3p (twice per signal period)

    Neglected: h^2 / order. Phase and heads as in `sub_divisional_error`.

    Parameters
    ----------
    order : float
        Signal phase per unit of position. [rad/rad or rad/m]
    level : Distribution
        h, amplitude of the third harmonic over that of the signal. [1]
    error_periods : int
        Periods of the error per signal period: 4 or 2.
    correction : float
        Share of the error that a calibration of the encoder removes. [1]
    heads : int
        Number of read heads whose readings are averaged.

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad or m]

    References
    ----------
    .. [1] Kuntz, Dauth, Gerlach, Ott, Fella, arXiv:2205.08472 (2022): orders by sign pattern.
    """
    single_head_gain = (1.0 - correction) / order
    harmonic = PolarHarmonic(single_head_gain / math.sqrt(heads), power=1, turns=1, order=error_periods * order)
    term = polar("third harmonic", causes.THIRD_HARMONIC, level, None, (harmonic,))
    return (replace(term, limit=level.limit * single_head_gain),)


def noise(order: float, level: float, averages: int = 1, contrast_loss: float = 1.0) -> tuple[Term, ...]:
    """Noise of the reading from noise of the sine and cosine signals: normal, drawn anew at every visit.

        standard deviation = level * sqrt(contrast_loss / averages) / order

    The contrast of the signals differs between built arms. It enters by the mean of 1/contrast^2, so that the mean
    square over all arms is exact. Neglected: the noise of all arms together is not exactly normal.

    Parameters
    ----------
    order : float
        Signal phase per unit of position. [rad/rad or rad/m]
    level : float
        Standard deviation of the noise of each signal over its amplitude. [1]
    averages : int
        Number of independent samples averaged into one reading, over all heads.
    contrast_loss : float
        Mean of 1/contrast^2 over the built arms (`assembly.contrast_loss`). [1]

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth, drawn anew at every visit. [rad or m]

    References
    ----------
    .. [1] first order of the arctangent: n_s cos p - n_c sin p has the variance of n_s.
    """
    std = level * math.sqrt(contrast_loss / averages) / order
    distribution = Distribution("normal", std)
    return (independent("noise", causes.SIGNAL_NOISE, (distribution,), (Constant(),), distribution.limit, "visit"),)
