"""Error motions of the axis of a joint in its bearing, or of a slide on its guide; attained minus nominal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.causes import Cause
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.draws import Draw
from armsim.errormodel.shapes import Constant, Wave
from armsim.errormodel.terms import Act, Axis, Role, Term, independent


@dataclass(frozen=True)
class SharedAmplitude(Draw):
    """Draw of one amplitude that several directions share, each with an independent phase."""

    amplitude: Distribution
    directions: int

    @property
    def dimensions(self) -> int:
        return 1 + self.directions

    def from_uniform(self, uniform: Array) -> Array:
        size = np.abs(self.amplitude.quantile(uniform[0]))
        rows = [size * wave(2 * np.pi * u) for u in uniform[1:] for wave in (np.cos, np.sin)]
        return np.stack(rows)

    @property
    def limits(self) -> tuple[float, ...]:
        """Largest magnitude of each coefficient."""
        return (self.amplitude.limit,) * (2 * self.directions)


def synchronous_error_motion(
    name: str, cause: Cause, amplitude: Distribution, order: float, directions: tuple[str, ...]
) -> tuple[Term, ...]:
    """Synchronous error motion of an axis, which repeats with the joint: tilt, radial, axial, straightness or roll.

    The frame that carries the joint does not rotate with it. Along each direction n of this frame the axis moves by

        A cos(order * position + phase_n)

    with one amplitude A for all directions, and an independent phase in each, uniform over the circle. A is half of the
    peak-to-valley value that a probe fixed to that frame reads. Tilt and radial error motion have two directions,
    perpendicular to the axis and to each other, so that the axis moves along an ellipse.

    At order 1, the part that rotates with the joint acts like a constant of the link. A standard test removes it as the
    centring of its artefact; here it stays in the model, and a calibration of the links removes it.

    A slide has pitch, yaw, straightness and roll. They act at its carriage, and the order counts waves over its travel.

    Neglected: the effect on the reading of a sensor on the same bearing, which the mounting of the sensor states
    (``shaft_runout``, ``guide_pitch``).

    Parameters
    ----------
    name : str
        Name of the term; distinguishes harmonics.
    cause : Cause
    amplitude : Distribution
        A; its sign does not matter. [rad or m]
    order : float
        Periods per unit of the motion of the joint. [rad/rad or rad/m]
    directions : tuple of str
        Names of the error motions, such as ``tilt x``.

    Returns
    -------
    tuple of Term
        On the error motions of the joint. [rad or m]

    References
    ----------
    .. [1] ISO 230-7:2015, geometric accuracy of axes of rotation: synchronous radial, axial and tilt error motion; ISO
       230-1:2012, 3.4, for slides; the distribution of the phases: common practice, no source.
    """
    coefficients = 2 * len(directions)
    acts = tuple(
        act
        for n, direction in enumerate(directions)
        for act in (
            Act(2 * n, _error_motion(direction), Wave("cos", order)),
            Act(2 * n + 1, _error_motion(direction), Wave("sin", order, -1.0)),
        )
    )
    second_moments = np.eye(coefficients) * 0.5 * amplitude.second_moment
    draw = SharedAmplitude(amplitude, len(directions))
    return (Term(name, cause, "unit", acts, draw, np.zeros(coefficients), second_moments, amplitude.limit),)


def asynchronous_error_motion(
    name: str, cause: Cause, scatter: Distribution, directions: tuple[str, ...]
) -> tuple[Term, ...]:
    """Asynchronous error motion of an axis, which differs from visit to visit because the rolling elements move.

    Each direction of the frame that carries the joint has an independent draw at every visit. Its distribution is the
    same at all positions.

    Parameters
    ----------
    name : str
        Name of the term.
    cause : Cause
    scatter : Distribution
        Displacement along one direction, uniform or normal. [rad or m]
    directions : tuple of str
        Names of the error motions, such as ``tilt x``.

    Returns
    -------
    tuple of Term
        One for each direction, on error motions of the joint. [rad or m]

    References
    ----------
    .. [1] ISO 230-7:2015, geometric accuracy of axes of rotation: asynchronous error motion.
    """
    return tuple(
        independent(
            f"{name} along {direction[-1]}" if len(directions) > 1 else name,
            cause,
            (scatter,),
            (Constant(),),
            scatter.limit,
            "visit",
            _error_motion(direction),
        )
        for direction in directions
    )


def _error_motion(direction: str) -> Axis:
    return Axis("", direction, Role.ERROR_MOTION)
