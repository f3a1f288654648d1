"""Values assumed where a scenario states none: typical ones of a gear, of a disc, of a signal."""

from __future__ import annotations

from collections.abc import Iterator

from armsim import causes
from armsim.formatting import show_joint
from armsim.model.gears import SOURCE
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.transmission import Harmonic, Transmission
from armsim.results.joints import Assumption

OF_THE_RADIUS = (
    causes.ECCENTRICITY, causes.SHAFT_RUNOUT, causes.NONREPEATABLE_RUNOUT, causes.ELLIPTICITY, causes.HEAD_TANGENTIAL,
)  # fmt: skip
OF_THE_NOISE = (causes.SIGNAL_NOISE, causes.STATED_NOISE)
OF_THE_GEAR = {"kinematic_error": causes.GEAR_KINEMATIC_ERROR, "lost_motion": causes.LOST_MOTION}
"""Causes of error that depend on an assumed value."""


def assumptions(machine: Machine) -> tuple[Assumption, ...]:
    """All values of a machine that its scenario does not state, with the causes that depend on them."""
    return tuple(assumption for joint in machine.joints for assumption in (*_of_gear(joint), *_of_encoder(joint)))


def _of_gear(joint: Joint) -> Iterator[Assumption]:
    gear = joint.transmission
    for key in gear.typical:
        source = f"typical of a {gear.type} gear; {SOURCE}"
        yield Assumption(joint.name, f"transmission.{key}", typical_value(gear, key), source, (OF_THE_GEAR[key].name,))


def typical_value(gear: Transmission, key: str) -> str:
    """Text of a typical value of a gear.

    Parameters
    ----------
    gear : Transmission
    key : str
        Key of the transmission.

    Returns
    -------
    str
        Value with unit.
    """
    if key == "lost_motion":
        return show_joint(gear.lost_motion, "rad")
    return ", ".join(_wave(harmonic) for harmonic in gear.kinematic_error)


def _wave(harmonic: Harmonic) -> str:
    size = show_joint(harmonic.amplitude.spread.limit, "rad")
    return f"order {harmonic.order:g} per {harmonic.per.replace('-', ' ')} up to {size}"


def _of_encoder(joint: Joint) -> Iterator[Assumption]:
    """Assumed radius, and assumed window where the head is misaligned; the unknown shape of an error that a sheet
    states by its size alone is not listed."""
    encoder, mounting = joint.encoder, joint.mounting
    window = OF_THE_NOISE if mounting.head_radial.nonzero or mounting.head_tilt.nonzero else ()
    resting = {"track_radius": OF_THE_RADIUS, "sensing_window": window}
    for reading in encoder.readings:
        names = tuple(cause.name for cause in resting.get(reading.key, ())) if reading.assumed else ()
        if names:
            yield Assumption(joint.name, f"encoder.{reading.key}", reading.value, f"{reading.how}; {SOURCE}", names)
