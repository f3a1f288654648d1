"""The pair of analogue signals, sine and cosine, from which an angle within the signal period is computed."""

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
    """Error within a signal period from imperfect sine and cosine.

    With sine (1 + d/2) sin(p + a/2) + o_s and cosine (1 - d/2) cos(p - a/2) + o_c, the arctangent is too large by

        (o_s cos p - o_c sin p + d/2 sin 2p + a/2 cos 2p) / order,   p = order * position

    to first order. Neglected: products of two of the quantities, below the square of their sum over the order. Where in
    a period the zero of the joint lies is not known, so mismatch and phase error come at a phase uniform on the circle
    (each at its own: sharing one would change no second moment). Errors of M heads are independent: 1/sqrt(M) of the
    rms remains.

    Parameters
    ----------
    order : float
        Signal phase per unit of position. [rad/rad or rad/m]
    offset : Distribution
        Offset of sine and cosine over the amplitude, drawn for each. [1]
    amplitude_mismatch : Distribution
        d, difference of the amplitudes over their mean. [1]
    phase_error : Distribution
        a, departure from quadrature. [rad]
    correction : float
        Share of the error that calibration removes. [1]
    heads : int
        Read heads, averaged.

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad or m]

    References
    ----------
    .. [1] first order of Heydemann, Appl. Opt. 20 (1981) 3382.
    """
    worst = (1.0 - correction) / order
    gain = worst / math.sqrt(heads)
    terms: list[Term] = []
    if offset.nonzero:
        acts = (Act(0, SHAFT, Wave("cos", order, gain)), Act(1, SHAFT, Wave("sin", order, -gain)))
        limit = math.sqrt(2.0) * offset.limit * worst
        draw = TurnedPair(offset)
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
            part = PolarHarmonic(0.5 * gain, power=1, turns=1, order=2 * order)
            terms.append(replace(polar(cause.name, cause, size, None, (part,)), limit=0.5 * size.limit * worst))
    return tuple(terms)


def stated_sub_divisional_error(order: float, error: Distribution) -> tuple[Term, ...]:
    """Error within a signal period of which a data sheet states only the size.

    One harmonic a unit, once or twice per signal period with equal chance (offset, or mismatch and phase error), at a
    phase not known; its size as in `terms.unknown_curve`. It is that of the reading, in which several heads are
    averaged already, as a stated accuracy or noise is.

    Parameters
    ----------
    order : float
        Signal phase per unit of position. [rad/rad or rad/m]
    error : Distribution
        [rad or m]

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
class TurnedPair(Draw):
    """Draw of one quantity on sine and another of the same distribution on cosine, at a phase that is not known."""

    spread: Distribution

    @property
    def dimensions(self) -> int:
        return 3

    def of(self, uniform: Array) -> Array:
        on_sine, on_cosine = self.spread.quantile(uniform[:2])
        phase = 2 * np.pi * uniform[2]
        cosine, sine = np.cos(phase), np.sin(phase)
        return np.stack([on_sine * cosine - on_cosine * sine, on_sine * sine + on_cosine * cosine])

    @property
    def limits(self) -> tuple[float, ...]:
        """Largest magnitude of each coefficient."""
        return (math.sqrt(2.0) * self.spread.limit,) * 2


def third_harmonic(
    order: float, level: Distribution, produced: int = 4, correction: float = 0.0, heads: int = 1
) -> tuple[Term, ...]:
    """Sub-divisional error of signals that carry a third harmonic.

    Sine h sin 3p and cosine +-h cos 3p on top of the fundamentals. Where both channels see one and the same distorted
    wave a quarter period apart, the cosine carries -h cos 3p and the arctangent is too large by

        h sin 4p / order                       (order 4 of the signal period)

    With the other sign pattern, +h cos 3p, by h sin 2p / order (order 2). Neglected: h^2 / order. Phase and heads as in
    `sub_divisional_error`.

    Parameters
    ----------
    order : float
        Signal phase per unit of position. [rad/rad or rad/m]
    level : Distribution
        h, over the amplitude. [1]
    produced : int
        4 or 2, by the sign pattern.
    correction : float
        Share of the error that calibration removes. [1]
    heads : int
        Read heads, averaged.

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth. [rad or m]

    References
    ----------
    .. [1] Kuntz, Dauth, Gerlach, Ott, Fella, arXiv:2205.08472 (2022): orders by sign pattern.
    """
    worst = (1.0 - correction) / order
    part = PolarHarmonic(worst / math.sqrt(heads), power=1, turns=1, order=produced * order)
    term = polar("third harmonic", causes.THIRD_HARMONIC, level, None, (part,))
    return (replace(term, limit=level.limit * worst),)


def noise(order: float, level: float, averages: int = 1, loss: float = 1.0) -> tuple[Term, ...]:
    """Jitter of the reading from noise of the two signals: normal, anew at every visit.

    Standard deviation level * sqrt(loss / averages) / order. Contrast differs between units; its effect enters through
    the mean of 1/contrast^2, so that the second moment over the population is exact while the distribution of the
    pooled noise, a mixture of normals, is taken as normal.

    Parameters
    ----------
    order : float
        Signal phase per unit of position. [rad/rad or rad/m]
    level : float
        Standard deviation of the noise of each signal over its amplitude. [1]
    averages : int
        Independent samples averaged into a reading, those of all heads.
    loss : float
        Mean of 1/contrast^2 over the units (`assembly.contrast_loss`). [1]

    Returns
    -------
    tuple of Term
        At the shaft, reading minus truth, drawn anew at every visit. [rad or m]

    References
    ----------
    .. [1] first order of the arctangent: n_s cos p - n_c sin p has the variance of n_s.
    """
    std = level * math.sqrt(loss / averages) / order
    spread = Distribution("normal", std)
    return (independent("noise", causes.SIGNAL_NOISE, (spread,), (Constant(),), spread.limit, "visit"),)
