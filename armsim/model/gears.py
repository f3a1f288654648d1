"""Types of gears, with typical values for an estimate without a data sheet."""

from __future__ import annotations

import math
from typing import Literal

from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.model.transmission import Harmonic, Transmission

GearType = Literal["strain-wave", "cycloidal", "planetary"]
TYPICAL_KEYS = ("kinematic_error", "lost_motion")
"""Keys of a transmission with typical values, used where they are not stated."""
TYPICAL_SOURCE = "common practice, no source"
"""Source of all typical values."""


def _harmonic(per: Literal["input-turn", "output-turn"], order: float, arcseconds: float) -> Harmonic:
    return Harmonic(per, order, Magnitude(Distribution("uniform", math.radians(arcseconds / 3600))))


TYPICAL_GEARS: dict[GearType, Transmission] = {
    # twice per input turn from the two meshing regions, once per output turn from the splines; no backlash to speak of
    "strain-wave": Transmission(
        kinematic_error=(_harmonic("input-turn", 2, 20), _harmonic("output-turn", 1, 15)),
        lost_motion=math.radians(15 / 3600),
    ),
    # once per input turn from the eccentric, once per output turn from the pin ring
    "cycloidal": Transmission(
        kinematic_error=(_harmonic("input-turn", 1, 30), _harmonic("output-turn", 1, 20)),
        lost_motion=math.radians(40 / 3600),
    ),
    # once per input turn from the sun, once per output turn from the ring; backlash of a good stage
    "planetary": Transmission(
        kinematic_error=(_harmonic("input-turn", 1, 60), _harmonic("output-turn", 1, 60)),
        lost_motion=math.radians(180 / 3600),
    ),
}
"""The ratio and the stiffness depend on the size and have no typical value."""
