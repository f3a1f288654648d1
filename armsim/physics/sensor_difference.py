"""Difference of the readings of two sensors at one joint, at standstill: it shows the error of the gear."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from armsim.errormodel.terms import Act, Role, Term

ALARM_DEVIATIONS = 3.0
"""Alarm threshold of a deviation, in standard deviations of a reading. Common practice, no source."""
DETECTION_DEVIATIONS = 1.645
"""Standard deviations beyond the alarm threshold at which 95 of 100 readings raise the alarm: normal distribution."""


def reading_difference(term: Term, coupling: Mapping[str, float], motor: str) -> Term | None:
    """Contribution of one error term to the difference D of the two readings at a joint.

        D = motor reading / ratio - joint reading
          = (q - g) + r_m / ratio - (q + r_o)  =  -g + r_m / ratio - r_o

    Here g is the error of the gear, joint minus motor / ratio: kinematic error, lead error, wind-up, growth of a screw,
    lost motion. The errors of the two sensors are r_m and r_o, reading minus truth.

    With the loop closed by the sensor on the joint, the joint has the error e_o = -r_o, attained minus commanded. With
    the loop closed by the sensor on the motor, it has e_m = g - r_m / ratio. So D needs no terms of its own:

        D = e_o - e_m

    A motor may move with several joints, phi = sum_k C_k q_k. Then D = sum_k C_k e_k - e_m, with the sum of the
    readings of these joints, each times C_k, in place of the joint reading.

    In the direction of approach d = +-1, a lost motion L contributes -d L / 2 to g. Readings lag by half the
    hysteresis: r_o = -d h_o / 2 and r_m = -d sign(ratio) h_m / 2. So D contains

        d (L + h_o - h_m / |ratio|) / 2

    Neglected: products of two errors. A wind-up that the controller compensates is in the readings all the same: pass
    the terms of the gear without compensation.

    Parameters
    ----------
    term : Term
        Error on the motion of joints, or on the axis ``motor``. [rad or m]
    coupling : mapping of joint to float
        C_k, motion at the output of the motor gear per motion of every joint. [1]
    motor : str
        Name of the axis that holds the terms of e_m.

    Returns
    -------
    Term or None
        Contribution to D; None where the term contributes nothing. [rad or m]

    References
    ----------
    .. [1] derived above; tested against a simulated gear with two discs. Sign of the lost motion as `gear.reversal`.
    """
    acts: list[Act] = []
    for act in term.acts:
        if act.axis.role is not Role.MOTION:
            continue
        weight = -1.0 if act.axis.owner == motor else coupling.get(act.axis.owner, 0.0)
        if weight:
            acts.append(replace(act, shape=act.shape.scaled(weight)))
    return replace(term, acts=tuple(acts)) if acts else None


def lost_motion_scatter(reading_std: float, orders: ArrayLike, rms: ArrayLike, lost_motion: float) -> float:
    """Standard deviation of the lost motion, as one reversal measures it.

    A reversal takes two readings of the difference, before and after, which scatter independently. Between them the
    joint stands still and the motor moves by the lost motion L. A periodic error of order h on the motor side is then
    read at two phases h L apart:

        sqrt( 2 s^2 + sum_h 2 a_h^2 (1 - cos h L) )

    Parameters
    ----------
    reading_std : float
        s, standard deviation of a reading of the difference. [rad or m]
    orders : (waves,)
        h, orders of the periodic errors on the motor side, phase per motion of the joint. [rad/rad or rad/m]
    rms : (waves,)
        a_h, root mean square of each, at the joint. [rad or m]
    lost_motion : float
        L. [rad or m]

    Returns
    -------
    float
        Standard deviation of the measured lost motion. [rad or m]

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.2: variances of a difference add; the mean of (sin(x + y) - sin x)^2 over x is 1 - cos y.
    """
    h, a = np.asarray(orders, dtype=float), np.asarray(rms, dtype=float)
    waves = 2.0 * a**2 * (1.0 - np.cos(h * lost_motion))
    return float(np.sqrt(2.0 * reading_std**2 + waves.sum()))


def detectable_growth(scatter: float) -> float:
    """Smallest growth of the lost motion that one reversal detects reliably.

        (3 + 1.645) s_w

    The alarm threshold lies 3 standard deviations above the expected value: a fault-free gear raises a false alarm once
    in 740 reversals. A growth that exceeds it by 1.645 standard deviations raises the alarm in 95 of 100 reversals.
    Half of that growth raises it in one of four.

    Parameters
    ----------
    scatter : float
        s_w, from `lost_motion_scatter`. [rad or m]

    Returns
    -------
    float
        Detectable growth. [rad or m]

    References
    ----------
    .. [1] Currie, Analytical Chemistry 40 (1968) 586: decision and detection limits; the number of
       standard deviations is common practice, no source.
    """
    return (ALARM_DEVIATIONS + DETECTION_DEVIATIONS) * scatter


def slip_threshold(largest_difference: float, reading_std: float) -> float:
    """Alarm threshold for a slip between the two sensors, above the differences of fault-free arms.

        largest difference + 3 standard deviations of a reading

    Parameters
    ----------
    largest_difference : float
        Largest difference at any position, which 95 % of fault-free arms do not exceed. [rad or m]
    reading_std : float
        Standard deviation of a reading of the difference. [rad or m]

    Returns
    -------
    float
        Threshold of the difference. [rad or m]

    References
    ----------
    .. [1] common practice, no source.
    """
    return largest_difference + ALARM_DEVIATIONS * reading_std


def detectable_slip(threshold: float) -> float:
    """Smallest slip that raises the alarm in every posture, even where the difference D of a fault-free arm opposes it.

        |slip + D| >= slip - t >= t   for   slip = 2 t

    Parameters
    ----------
    threshold : float
        t, from `slip_threshold`. [rad or m]

    Returns
    -------
    float
        Detectable slip. [rad or m]

    References
    ----------
    .. [1] triangle inequality, by hand.
    """
    return 2.0 * threshold
