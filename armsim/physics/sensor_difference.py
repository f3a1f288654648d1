"""Difference of the readings of two sensors at one joint, at rest: the error of the gear between them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from armsim.errormodel.terms import Act, Role, Term

ALARM = 3.0
"""Standard deviations of a reading above which a departure counts as one. Common practice, no source."""
DETECTION = 1.645
"""Standard deviations beyond the alarm at which a departure is seen in 95 of 100 readings. Source: normal law."""


def reading_difference(term: Term, coupling: Mapping[str, float], motor: str) -> Term | None:
    """Part of an error term in the difference of the two readings at a joint.

        D = motor reading / ratio - reading at the joint
          = (q - g) + r_m / ratio - (q + r_o)  =  -g + r_m / ratio - r_o

    with g(q, load, direction) the error of the gear, joint minus motor / ratio (kinematic error, lead error, wind-up,
    growth of a screw, lost motion), and r_m, r_o the errors of the sensors, reading minus truth. A loop closed by the
    sensor on the joint moves the joint by e_o = -r_o, one closed by the sensor on the motor by e_m = g - r_m / ratio.
    So the difference is that of two errors, attained minus commanded, whose terms exist already:

        D = e_o - e_m

    Where the motor sees several joints, phi = sum_k C_k q_k, the reading at the joint is to be taken as
    sum_k C_k times the readings of all of these, and D = sum_k C_k e_k - e_m.

    Reversal: g has -d L / 2 of the lost motion L in the direction d = +-1, and readings lag by half the hysteresis,
    r_o = -d h_o / 2 and r_m = -d sign(ratio) h_m / 2, so that D has

        d (L + h_o - h_m / |ratio|) / 2

    Neglected: products of two errors. The controller's compensation of a wind-up moves no reading: the terms of the
    gear are to be those without it.

    Parameters
    ----------
    term : Term
        With acts on motions of joints, or on the axis of the motor's loop. [rad or m]
    coupling : mapping of joint to float
        C_k, motion that the motor sees, before its gear, per motion of every joint.
    motor : str
        Name of the axis on which the terms of e_m act.

    Returns
    -------
    Term or None
        Its acts add up to D, each at the state of its axis; None where it has no part. [rad or m]

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


def width_scatter(reading: float, orders: ArrayLike, rms: ArrayLike, lost_motion: float) -> float:
    """Standard deviation of the width of the loop, as one reversal measures it.

    Two readings of the difference scatter independently. Between them the joint stands still and the motor moves by
    the lost motion L, so that a wave of order h on its side, of its sensor or of the gear, is read at two phases that
    are h L apart:

        sqrt( 2 s^2 + sum_h 2 a_h^2 (1 - cos h L) )

    Parameters
    ----------
    reading : float
        s, standard deviation of a reading of the difference. [rad or m]
    orders : (waves,)
        h, phase per motion of the joint. [rad/rad or rad/m]
    rms : (waves,)
        a_h, root mean square at the joint. [rad or m]
    lost_motion : float
        L. [rad or m]

    Returns
    -------
    float [rad or m]

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.2: variances of a difference add; the mean of (sin(x + y) - sin x)^2 over x is 1 - cos y.
    """
    h, a = np.asarray(orders, dtype=float), np.asarray(rms, dtype=float)
    waves = 2.0 * a**2 * (1.0 - np.cos(h * lost_motion))
    return float(np.sqrt(2.0 * reading**2 + waves.sum()))


def least_growth(scatter: float) -> float:
    """Least growth of the lost motion that one reversal shows.

    An alarm at `ALARM` standard deviations above the expected width is false once in 740 reversals of a fault-free
    gear; a growth `DETECTION` standard deviations beyond it is seen in 95 of 100 reversals, half of it in one of four:

        (3 + 1.645) s_w

    Parameters
    ----------
    scatter : float
        s_w, as `width_scatter`. [rad or m]

    Returns
    -------
    float [rad or m]

    References
    ----------
    .. [1] Currie, Analytical Chemistry 40 (1968) 586: decision and detection limits (from memory); the number of
       standard deviations is common practice, no source.
    """
    return (ALARM + DETECTION) * scatter


def slip_alarm(swing: float, reading: float) -> float:
    """Alarm threshold of the difference: the swing of fault-free arms and `ALARM` times the scatter of a reading.

    Parameters
    ----------
    swing : float
        Largest difference that 95 % of fault-free arms show anywhere. [rad or m]
    reading : float
        Standard deviation of a reading of the difference. [rad or m]

    Returns
    -------
    float [rad or m]

    References
    ----------
    .. [1] common practice, no source.
    """
    return swing + ALARM * reading


def least_slip(alarm: float) -> float:
    """Smallest slip that trips the alarm in every posture, even where the errors of the arm oppose it.

        |slip + D| >= slip - alarm >= alarm   for   slip = 2 alarm

    Parameters
    ----------
    alarm : float
        As `slip_alarm`. [rad or m]

    Returns
    -------
    float [rad or m]

    References
    ----------
    .. [1] triangle inequality, by hand.
    """
    return 2.0 * alarm
