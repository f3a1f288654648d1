"""Colours and hatches of causes, fixed by name: the colour tells the family, the hatch the cause within it."""

from __future__ import annotations

from typing import NamedTuple
from zlib import crc32

from armsim import causes
from armsim.causes import Cause

HATCHES = ("", "///", "\\\\\\", "...", "xxx", "---", "|||", "+++", "ooo", "//..")
"""Hatches of the causes of a family, in its order; the first is plain."""
OTHERS = "#9a9a9a"
"""Colour of a sum of several causes, and of a cause that belongs to no family."""
LINKS = tuple(
    causes.link_parameter(name) for name in ("theta", "d", "a", "alpha", "x", "y", "z", "yaw", "pitch", "roll")
)
FAMILIES: dict[str, tuple[Cause, ...]] = {
    "#d08a00": (causes.MASTERING, causes.HOMING, causes.JOINT_ZERO, causes.CALIBRATION),
    "#1f4e79": (
        causes.ECCENTRICITY, causes.SHAFT_RUNOUT, causes.NONREPEATABLE_RUNOUT, causes.ELLIPTICITY,
        causes.COUPLING_MISALIGNMENT,
    ),
    "#1d7878": (
        causes.DISC_TILT, causes.HEAD_TANGENTIAL, causes.HEAD_SKEW, causes.STATED_MISALIGNMENT, causes.ABBE_OFFSET,
    ),
    "#109fed": (
        causes.GRADUATION_ERROR, causes.STATED_ACCURACY, causes.SLOPE_ERROR, causes.SECOND_TRACK,
        causes.MEASURED_CURVE,
    ),
    "#4451ac": (
        causes.SUB_DIVISIONAL_ERROR, causes.SIGNAL_OFFSET, causes.AMPLITUDE_MISMATCH, causes.PHASE_ERROR,
        causes.THIRD_HARMONIC,
    ),
    "#b9c6ac": (causes.QUANTISATION, causes.SIGNAL_NOISE, causes.STATED_NOISE, causes.STATED_REPEATABILITY),
    "#10925e": (causes.GEAR_KINEMATIC_ERROR, causes.LEAD_ERROR),
    "#ed78b9": (causes.LOST_MOTION, causes.HYSTERESIS),
    "#786b10": (causes.WIND_UP, causes.BENDING, causes.PAYLOAD_MASS, causes.PAYLOAD_CENTRE),
    "#1dd3ed": (causes.TEMPERATURE, causes.JOINT_TEMPERATURE),
    "#443737": (causes.LATENCY, causes.TIMING_JITTER, causes.BUS_CYCLE, causes.SAMPLING_SKEW),
    "#9fd378": LINKS,
    "#2a4410": (*causes.SYNCHRONOUS_ERROR_MOTIONS.values(), *causes.ASYNCHRONOUS_ERROR_MOTIONS.values()),
}  # fmt: skip
"""Causes of every family by its colour. Any two colours differ by more than 20 in CIELAB, also as readers without red
or green cones see them; within a family, and in grey, the hatch decides."""


class Look(NamedTuple):
    """Colour and hatch with which an area is drawn."""

    colour: str
    hatch: str


_LOOKS = {
    cause.name: Look(colour, HATCHES[index])
    for colour, family in FAMILIES.items()
    for index, cause in enumerate(family)
}


SUM = Look(OTHERS, "")
"""Look of a sum of several causes."""


def _unlisted(name: str) -> Look:
    """Grey, with a hatch that follows from the name, for a cause that no family has."""
    return Look(OTHERS, HATCHES[1 + crc32(name.encode()) % (len(HATCHES) - 1)])


def look_of(name: str) -> Look:
    """Colour and hatch of a cause by its name in a result; causes joined in one name take the hatches of all."""
    looks = [_LOOKS.get(part) or _unlisted(part) for part in causes.names_in(name)]
    if len(looks) == 1:
        return looks[0]
    return Look(looks[0].colour, "*" + "".join(dict.fromkeys(look.hatch for look in looks)))


def joint_look(number: int) -> Look:
    """Colour and hatch of a joint by its place in the arm, the same in every figure."""
    colours = list(FAMILIES)
    return Look(colours[number % len(colours)], HATCHES[number % len(HATCHES)])
