"""The bearing of a joint, or the guide of a slide, and the error motions of its axis."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from armsim import causes
from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.terms import Term
from armsim.field_spec import Measures, key
from armsim.physics import error_motion

ErrorMotion = Literal["tilt", "radial", "axial", "straightness", "roll"]
DIRECTIONS: dict[ErrorMotion, tuple[str, ...]] = {
    "tilt": ("tilt x", "tilt y"),
    "radial": ("shift x", "shift y"),
    "axial": ("shift z",),
    "straightness": ("shift x", "shift y"),
    "roll": ("tilt z",),
}
LOWEST_ORDER: dict[ErrorMotion, int] = {"tilt": 2, "radial": 2, "axial": 1}
"""Order of an amplitude stated without order, for a joint that turns: the lowest that a fixed probe does not remove as
the centring of its artefact; 1 for a slide, over its travel. Common practice, no source."""
VALID_TILT = 0.01
"""Largest tilt or roll [rad]: the neglected part of an error is below half of its square."""

_MEASURES: dict[ErrorMotion, Measures] = {
    "radial": "rotation",
    "axial": "rotation",
    "straightness": "translation",
    "roll": "translation",
}
_QUANTITIES: dict[ErrorMotion, tuple[str, float | None]] = {
    "tilt": ("angle", VALID_TILT),
    "radial": ("length", None),
    "axial": ("length", None),
    "straightness": ("length", None),
    "roll": ("angle", VALID_TILT),
}
_DESCRIPTIONS: dict[ErrorMotion, str] = {
    "tilt": "tilt of the axis about either perpendicular direction; pitch and yaw of a slide",
    "radial": "radial error motion along either direction perpendicular to the axis",
    "axial": "axial error motion",
    "straightness": "straightness of a slide along either direction perpendicular to its motion",
    "roll": "roll of a slide about its motion",
}


@dataclass(frozen=True)
class AngularHarmonic:
    """One order of a tilt or roll."""

    order: float = key(
        ..., "number", "periods per turn of the joint, or over the travel of a slide", check=lambda x: x > 0,
        accepted="a number above zero",
    )  # fmt: skip
    amplitude: Distribution = key(..., "angle", "half of peak to valley", most=VALID_TILT)


@dataclass(frozen=True)
class LinearHarmonic:
    """One order of a radial or axial error motion, or of a straightness."""

    order: float = key(
        ..., "number", "periods per turn of the joint, or over the travel of a slide", check=lambda x: x > 0,
        accepted="a number above zero",
    )  # fmt: skip
    amplitude: Distribution = key(..., "length", "half of peak to valley")


def _amplitude_key(motion: ErrorMotion) -> Distribution:
    quantity, most = _QUANTITIES[motion]
    order = (
        "order 1 over its travel"
        if _MEASURES.get(motion) == "translation"
        else f"order {LOWEST_ORDER[motion]} per turn"
    )
    amplitude: Distribution = key(
        NONE, quantity, f"amplitude of the {_DESCRIPTIONS[motion]}, at {order}", most=most, only=_MEASURES.get(motion),
        cause=causes.SYNCHRONOUS_ERROR_MOTIONS[motion], effect="any orders per turn, or over the travel",
        physics=error_motion.synchronous_error_motion,
    )  # fmt: skip
    return amplitude


def _orders_key(motion: ErrorMotion) -> Any:
    return key(
        (), "list", f"orders of the {_DESCRIPTIONS[motion]}", only=_MEASURES.get(motion),
        cause=causes.SYNCHRONOUS_ERROR_MOTIONS[motion], effect="any orders per turn, or over the travel",
        physics=error_motion.synchronous_error_motion,
    )  # fmt: skip


def _scatter_key(motion: ErrorMotion) -> Distribution:
    quantity, most = _QUANTITIES[motion]
    scatter: Distribution = key(
        NONE, quantity, f"scatter from visit to visit of the {_DESCRIPTIONS[motion]}", most=most,
        only=_MEASURES.get(motion), visit=True, cause=causes.ASYNCHRONOUS_ERROR_MOTIONS[motion],
        effect="scatter from visit to visit",
        physics=error_motion.asynchronous_error_motion,
    )  # fmt: skip
    return scatter


@dataclass(frozen=True)
class Synchronous:
    """Error motions that repeat with the position of the joint, order by order."""

    tilt: tuple[AngularHarmonic, ...] = _orders_key("tilt")
    radial: tuple[LinearHarmonic, ...] = _orders_key("radial")
    axial: tuple[LinearHarmonic, ...] = _orders_key("axial")
    straightness: tuple[LinearHarmonic, ...] = _orders_key("straightness")
    roll: tuple[AngularHarmonic, ...] = _orders_key("roll")


@dataclass(frozen=True)
class Asynchronous:
    """Error motions that scatter from visit to visit."""

    tilt: Distribution = _scatter_key("tilt")
    radial: Distribution = _scatter_key("radial")
    axial: Distribution = _scatter_key("axial")
    straightness: Distribution = _scatter_key("straightness")
    roll: Distribution = _scatter_key("roll")


@dataclass(frozen=True)
class Bearing:
    """Bearing of a joint, or guide of a slide, by the error motions of its axis."""

    tilt: Distribution = _amplitude_key("tilt")
    radial: Distribution = _amplitude_key("radial")
    axial: Distribution = _amplitude_key("axial")
    straightness: Distribution = _amplitude_key("straightness")
    roll: Distribution = _amplitude_key("roll")
    synchronous: Synchronous = key(Synchronous(), "part", "error motions that repeat with the position")
    asynchronous: Asynchronous = key(Asynchronous(), "part", "error motions that scatter from visit to visit")
    centre: float = key(
        0.0, "length", "point on the axis about which it tilts and rolls, as distance from the origin: of the frame "
        "before a joint that turns, of the carriage of a slide",
    )  # fmt: skip

    def terms(self, rotary: bool, travel: float) -> tuple[Term, ...]:
        """Terms on the error motions of the joint.

        Parameters
        ----------
        rotary : bool
            Whether the joint turns.
        travel : float
            Length of its range. [rad or m]

        Returns
        -------
        tuple of Term [rad or m]
        """
        fundamental = 1.0 if rotary else 2 * math.pi / travel
        terms: tuple[Term, ...] = ()
        for motion, directions in DIRECTIONS.items():
            amplitude, scatter = getattr(self, motion), getattr(self.asynchronous, motion)
            cause, name = causes.SYNCHRONOUS_ERROR_MOTIONS[motion], f"bearing {motion}"
            if amplitude.nonzero:
                lowest = LOWEST_ORDER.get(motion, 1) if rotary else 1
                terms += error_motion.synchronous_error_motion(name, cause, amplitude, lowest * fundamental, directions)
            for number, harmonic in enumerate(getattr(self.synchronous, motion), start=1):
                order = harmonic.order * fundamental
                terms += error_motion.synchronous_error_motion(
                    f"{name} {number}", cause, harmonic.amplitude, order, directions
                )
            if scatter.nonzero:
                cause = causes.ASYNCHRONOUS_ERROR_MOTIONS[motion]
                terms += error_motion.asynchronous_error_motion(f"asynchronous {name}", cause, scatter, directions)
        return terms
