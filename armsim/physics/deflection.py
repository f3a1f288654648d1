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
    """Deflection of a joint and its link under gravity, lumped into six springs at one point.

    Three springs act about the axes x, y, z of the frame that the joint carries, and three along them. The weight of
    all masses beyond loads them with a moment M about that point and a force F. About and along each axis n the link
    deflects by

        M_n / k_n  (1 - c - d)    and    F_n / s_n  (1 - c - d)

    to first order in d. Here k_n and s_n are the stated stiffnesses and d is their relative error, one value per joint.
    The controller compensates a share c of the nominal deflection.

    For a beam of length L loaded at its end, springs at its middle are exact. Their stiffnesses are EI/L for bending,
    12 EI / L^3 across, GJ/L for torsion and EA/L along the beam.

    Neglected: d^2 of the deflection; the change of the load by the deflection itself; the distribution of the weight
    along a link (it acts at the stated centre of mass); a stiffness that depends on the pose.

    Parameters
    ----------
    stiffness : dict of str to float
        Stiffness by the name of the deflection. [N m/rad or N/m]
    tolerance : Distribution
        d, common relative error of all these stiffnesses. [1]
    compensation : float
        c, share of the nominal deflection that the controller compensates. [1]

    Returns
    -------
    tuple of Term
        Deflections of the joint, attained minus commanded. [rad or m]

    References
    ----------
    .. [1] Gere, Timoshenko, Mechanics of Materials, 4th ed. (1997), app. G: deflections and slopes of beams;
       Dumas et al., Robotics and Computer-Integrated Manufacturing 27 (2011) 881: stiffness of the joints of
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


def payload(quantity: PayloadQuantity, deviation: Distribution, compliance: dict[Axis, float]) -> tuple[Term, ...]:
    """Deflection caused by a payload whose mass or centre of mass is not the nominal one.

        (load per kilogram, or per metre of the centre)  *  deviation / stiffness

    The controller knows only the nominal payload and compensates nothing of this. One deviation moves all joints and
    links together. Neglected: products of two deviations.

    Parameters
    ----------
    quantity : str
        Quantity that deviates: ``payload_mass``, ``payload_x``, ``payload_y`` or ``payload_z``.
    deviation : Distribution
        Deviation from the nominal payload. [kg or m]
    compliance : dict of Axis to float
        Compliance of every axis on which the load acts. [rad/(N m) or m/N]

    Returns
    -------
    tuple of Term
        Deflections of joints and links, attained minus commanded. [rad or m]

    References
    ----------
    .. [1] Siciliano et al., Robotics (2009), 7.1: gravity terms, linear in masses and first moments.
    """
    cause = causes.PAYLOAD_MASS if quantity == "payload_mass" else causes.PAYLOAD_CENTRE
    acts = tuple(Act(0, axis, Proportional(quantity, inverse)) for axis, inverse in compliance.items())
    term = independent(quantity, cause, (deviation,), (), math.nan)
    name = f"machine/{quantity.replace('_', ' ')}"
    return (Term(name, cause, "unit", acts, term.draw, term.mean, term.second_moment, math.nan),)
