"""Values assumed because a scenario states none: typical values of a gear, a disc or a signal."""

from __future__ import annotations

from collections.abc import Iterator

from armsim import causes
from armsim.formatting import show_joint
from armsim.model.gears import TYPICAL_SOURCE
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.transmission import Harmonic, Transmission
from armsim.results.joints import Assumption

RADIUS_CAUSES = (
    causes.ECCENTRICITY, causes.SHAFT_RUNOUT, causes.NONREPEATABLE_RUNOUT, causes.ELLIPTICITY, causes.HEAD_TANGENTIAL,
)  # fmt: skip
NOISE_CAUSES = (causes.SIGNAL_NOISE, causes.STATED_NOISE)
GEAR_CAUSES = {"kinematic_error": causes.GEAR_KINEMATIC_ERROR, "lost_motion": causes.LOST_MOTION}
"""Causes of error that depend on an assumed value."""


def assumptions(machine: Machine) -> tuple[Assumption, ...]:
    """All values of a machine that its scenario does not state, with the causes that depend on them."""
    return tuple(
        assumption
        for joint in machine.joints
        for assumption in (*_gear_assumptions(joint), *_encoder_assumptions(joint))
    )


def _gear_assumptions(joint: Joint) -> Iterator[Assumption]:
    gear = joint.transmission
    for key in gear.typical_keys:
        source = f"typical of a {gear.type} gear; {TYPICAL_SOURCE}"
        yield Assumption(joint.name, f"transmission.{key}", typical_value(gear, key), source, (GEAR_CAUSES[key].name,))


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
    return ", ".join(_wave_text(harmonic) for harmonic in gear.kinematic_error)


def _wave_text(harmonic: Harmonic) -> str:
    size = show_joint(harmonic.amplitude.spread.limit, "rad")
    return f"order {harmonic.order:g} per {harmonic.per.replace('-', ' ')} up to {size}"


def _encoder_assumptions(joint: Joint) -> Iterator[Assumption]:
    """Assumed radius, and assumed window where the head is misaligned; the unknown shape of an error that a sheet
    states by its size alone is not listed."""
    encoder, mounting = joint.encoder, joint.mounting
    window_causes = NOISE_CAUSES if mounting.head_radial.nonzero or mounting.head_tilt.nonzero else ()
    dependent_causes = {"track_radius": RADIUS_CAUSES, "sensing_window": window_causes}
    for value_origin in encoder.value_origins:
        cause_names = (
            tuple(cause.name for cause in dependent_causes.get(value_origin.key, ())) if value_origin.assumed else ()
        )
        if cause_names:
            yield Assumption(
                joint.name,
                f"encoder.{value_origin.key}",
                value_origin.value,
                f"{value_origin.origin}; {TYPICAL_SOURCE}",
                cause_names,
            )
