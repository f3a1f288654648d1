"""Display units of the numbers of data sheets and drawings."""

from __future__ import annotations

import math
from dataclasses import dataclass

from armsim.documents.from_spec import ALTERNATIVE_KINDS, KINDS_BY_MEASURES
from armsim.documents.units import si_factor

UNITS = {
    "ratio": "%", "time": "us", "bits": "bit", "temperature": "K", "mass": "kg", "frequency": "kHz",
    "angular stiffness": "N*m/mrad", "stiffness": "N/um", "expansion": "ppm/K", "angular drift": "arcsec/K",
    "linear drift": "um/K", "relative drift": "%/K", "slope": "um/m", "angular speed": "deg/s", "speed": "mm/s",
}  # fmt: skip
"""Display unit by kind of quantity."""
LARGE_LENGTH, LARGE_ANGLE = 1e-3, math.radians(0.05)
"""Sizes from which a length is shown in mm instead of um, and an angle in deg instead of arcsec."""


@dataclass(frozen=True)
class Unit:
    """Unit of measure: its name, empty for plain numbers, and the value of one unit in SI."""

    name: str
    si_value: float


def display_unit_of(kind: str, rotary: bool, value: float) -> Unit:
    """Display unit of a number of a kind, by its size and joint.

    Parameters
    ----------
    kind : str
        Kind of quantity.
    rotary : bool
        Whether the joint is revolute.
    value : float
        In SI.

    Returns
    -------
    Unit
    """
    family = KINDS_BY_MEASURES.get(kind)
    word = (
        family["rotation" if rotary else "translation"][0]
        if family is not None
        else ALTERNATIVE_KINDS.get(kind, (kind,))[0]
    )
    if word == "length":
        name = "mm" if abs(value) >= LARGE_LENGTH else "um"
    elif word == "angle":
        name = "deg" if abs(value) >= LARGE_ANGLE else "arcsec"
    else:
        name = UNITS.get(word, "")
    return Unit(name, (si_factor(name, word) or 1.0) if name else 1.0)
