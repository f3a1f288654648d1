"""Errors from the delay of a reading and the instant of sampling: all proportional to the speed."""

from __future__ import annotations

import math

from armsim import causes
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import Proportional
from armsim.errormodel.terms import Term, independent


def latency(delay: float) -> tuple[Term, ...]:
    """Error from a constant delay between sampling and use of a reading.

    A delayed reading shows where the joint was. It is too small by

        speed * delay

    The servo makes the reading follow the command, so that the joint runs ahead by the same amount. At standstill there
    is no error.

    Parameters
    ----------
    delay : float
        Age of the reading when it is used. [s]

    Returns
    -------
    tuple of Term
        Error of the joint, attained minus commanded: speed times delay. [rad or m]

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.3: the sensitivity of a position to its instant is its rate, the speed.
    """
    shape = Proportional("speed", delay)
    return (independent("latency", causes.LATENCY, (Distribution("fixed", 1.0),), (shape,), math.nan),)


def jitter(std: float) -> tuple[Term, ...]:
    """Error from random scatter of the sampling instant: normally distributed, drawn anew at every visit.

        speed * scatter of the instant

    Parameters
    ----------
    std : float
        Standard deviation of the sampling instant. [s]

    Returns
    -------
    tuple of Term
        Error of the joint, proportional to the speed. [rad or m]

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.3: the sensitivity of a position to its instant is its rate, the speed.
    """
    shape = Proportional("speed")
    return (independent("jitter", causes.TIMING_JITTER, (Distribution("normal", std),), (shape,), math.nan, "visit"),)


def skew(offset: Distribution) -> tuple[Term, ...]:
    """Error from a constant difference between the sampling instants of this joint and of the machine.

        speed * offset

    The offset is the same at every visit of a built arm.

    Parameters
    ----------
    offset : Distribution
        Sampling instant of the joint relative to that of the machine. [s]

    Returns
    -------
    tuple of Term
        Error of the joint, proportional to the speed. [rad or m]

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.3: the sensitivity of a position to its instant is its rate, the speed.
    """
    return (independent("skew", causes.SAMPLING_SKEW, (offset,), (Proportional("speed"),), math.nan),)


def free_running_sampling(cycle: float) -> tuple[Term, ...]:
    """Error from an encoder that samples without synchronisation to the bus.

    When the bus reads a position, its age is uniform between zero and one cycle. The mean age, half a cycle, is a
    constant error. The rest is drawn anew at every visit. An encoder that samples synchronously has neither.

    Parameters
    ----------
    cycle : float
        Cycle time of the bus. [s]

    Returns
    -------
    tuple of Term
        Two errors of the joint, proportional to the speed: the constant one and the scatter. [rad or m]

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
