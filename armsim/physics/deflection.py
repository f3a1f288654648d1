"""Deflection of joints and links under gravity. Errors are attained minus commanded."""

from __future__ import annotations

import math
from typing import Literal

from armsim import causes
from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.shapes import Proportional
from armsim.errormodel.terms import Act, Axis, Role, Term, independent

PayloadQuantity = Literal["payload_mass", "payload_x", "payload_y", "payload_z"]


def bending(stiffness: dict[str, float], tolerance: Distribution = NONE, compensation: float = 0.0) -> tuple[Term, ...]:
    """Deflection of a joint and its link, lumped into springs about and along three axes at one place.

    Gravity of all masses beyond loads the springs by a force F and a moment M about their place, in the frame that
    the joint carries (x, y, z of the row). About and along each axis n the link gives way by

        M_n / k_n  (1 - c - d)    and    F_n / s_n  (1 - c - d)

    with one tolerance d of all stiffnesses of the joint, to first order in d. The controller compensates a share c of
    the nominal deflection. A beam of length L is exact for loads at its end with springs at its middle: EI/L about,
    12 EI / L^3 across, GJ/L and EA/L about and along its axis. Neglected: d^2 of the deflection; that the deflected arm
    is loaded otherwise; that the own weight of a link is spread over it (it acts at its stated centre); stiffness that
    changes with the pose but for the directions.

    Parameters
    ----------
    stiffness : dict of str to float
        By the names of the deflections. [N m/rad or N/m]
    tolerance : Distribution
        Relative departure of all these stiffnesses. [1]
    compensation : float
        Share that the controller removes. [1]

    Returns
    -------
    tuple of Term
        On deflections of the joint. [rad or m]

    References
    ----------
    .. [1] Gere, Timoshenko, Mechanics of Materials, 4th ed. (1997), app. G: deflections and slopes of beams (from
       memory); Dumas et al., Robotics and Computer-Integrated Manufacturing 27 (2011) 881: stiffness of the joints of
       industrial robots.
    """
    fixed = Distribution("fixed", 1.0)
    acts: list[Act] = []
    for name, size in stiffness.items():
        axis = Axis("", name, Role.ERROR_MOTION)
        acts.append(Act(0, axis, Proportional("load", (1.0 - compensation) / size)))
        acts.append(Act(1, axis, Proportional("load", -1.0 / size)))
    moments = independent("bending", causes.BENDING, (fixed, tolerance), (), math.nan)
    return (Term("bending", causes.BENDING, "unit", tuple(acts), moments.draw, moments.mean, moments.second_moment,
                 math.nan),)  # fmt: skip


def payload(quantity: PayloadQuantity, departure: Distribution, compliance: dict[Axis, float]) -> tuple[Term, ...]:
    """Deflection by a payload that is not the nominal one, by its mass or by its centre along one axis of the tool.

    The controller knows the nominal payload alone, so that no share of this is compensated: the load per kilogram, or
    per metre of the centre, times the departure, over every stiffness. One departure moves all joints. Neglected: the
    product of two departures.

    Parameters
    ----------
    quantity : str
        Departing quantity: ``payload_mass``, ``payload_x``, ``payload_y`` or ``payload_z``.
    departure : Distribution
        From the nominal payload. [kg or m]
    compliance : dict of Axis to float
        By the axes on which a load acts. [rad/(N m) or m/N]

    Returns
    -------
    tuple of Term
        On deflections and motions of the joints. [rad or m]

    References
    ----------
    .. [1] Siciliano et al., Robotics (2009), 7.1: gravity terms, linear in masses and first moments.
    """
    cause = causes.PAYLOAD_MASS if quantity == "payload_mass" else causes.PAYLOAD_CENTRE
    acts = tuple(Act(0, axis, Proportional(quantity, inverse)) for axis, inverse in compliance.items())
    base = independent(quantity, cause, (departure,), (), math.nan)
    name = f"machine/{quantity.replace('_', ' ')}"
    return (Term(name, cause, "unit", acts, base.draw, base.mean, base.second_moment, math.nan),)
