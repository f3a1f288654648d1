"""Errors from the age of a reading and the instant at which it is taken; all vanish at standstill."""

from __future__ import annotations

import math

from armsim import causes
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import Proportional
from armsim.errormodel.terms import Term, independent


def latency(delay: float) -> tuple[Term, ...]:
    """Constant age of the reading.

    The reading is where the joint was: too small by speed * delay. The servo, which makes the reading follow the
    command, leads the joint ahead by as much.

    Parameters
    ----------
    delay : float
        [s]

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.3: the sensitivity of a position to its instant is its rate, the speed.
    """
    shape = Proportional("speed", delay)
    return (independent("latency", causes.LATENCY, (Distribution("fixed", 1.0),), (shape,), math.nan),)


def jitter(std: float) -> tuple[Term, ...]:
    """Scatter of the instant at which the position is taken: normal, anew at every visit.

    Parameters
    ----------
    std : float
        Standard deviation. [s]

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.3: the sensitivity of a position to its instant is its rate, the speed.
    """
    shape = Proportional("speed")
    return (independent("jitter", causes.TIMING_JITTER, (Distribution("normal", std),), (shape,), math.nan, "visit"),)


def skew(offset: Distribution) -> tuple[Term, ...]:
    """Difference between the sampling instant of this joint and that of the machine: a constant of the unit.

    Parameters
    ----------
    offset : Distribution
        [s]

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.3: the sensitivity of a position to its instant is its rate, the speed.
    """
    return (independent("skew", causes.SAMPLING_SKEW, (offset,), (Proportional("speed"),), math.nan),)


def free_running(cycle: float) -> tuple[Term, ...]:
    """Age of a position taken at an instant not synchronised with the bus: uniform between zero and a cycle.

    Its mean is a constant of the machine, half a cycle; the rest is drawn anew at every visit. An encoder that samples
    on the bus's own instant has neither.

    Parameters
    ----------
    cycle : float
        Cycle time of the bus. [s]

    References
    ----------
    .. [1] uniform distribution of the phase between two clocks.
    """
    half = 0.5 * cycle
    shape = Proportional("speed")
    return (
        independent("bus age", causes.BUS_CYCLE, (Distribution("fixed", half),), (shape,), math.nan),
        independent("bus phase", causes.BUS_CYCLE, (Distribution("uniform", half),), (shape,), math.nan, "visit"),
    )
