"""The joint of a scenario: every quantity must fit what the joint does."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, Literal, get_args

from armsim.documents.from_spec import Place, build, document_of, extended
from armsim.documents.read_measured_curves import CurveDocument, check_curve, of_sensor
from armsim.field_spec import declared
from armsim.model.encoder import Encoder
from armsim.model.gears import PRESETS, TYPICAL, GearType
from armsim.model.joint import Bus, Joint
from armsim.model.kinematics import ArmJoint
from armsim.model.mounting import Mounting
from armsim.model.transmission import Transmission
from armsim.physics.assembly import LEAST_CONTRAST
from armsim.sources import KeyPath, Source

Reference = Any
"""A path relative to the file, or the document itself."""
MountingDocument = document_of(Mounting)
TransmissionDocument = extended(Transmission, "TransmissionDocument", {"type": (Literal[get_args(GearType)], None)})
JointDocument = extended(
    Joint,
    "JointDocument",
    {
        "encoder": (Reference, ...),
        "motor_encoder": (Reference, None),
        "transmission": (TransmissionDocument, None),
        "error_curve": (CurveDocument | None, None),
    },
)


def build_joint(
    given: Any, joint: ArmJoint, encoder: Encoder, motor_encoder: Encoder | None, bus: Bus, source: Source, at: KeyPath
) -> Joint:
    """One joint with its sensor.

    Raises
    ------
    InputError
        A quantity does not fit the joint, its encoder or its placement.
    """
    what = "revolute" if joint.revolute else "prismatic"
    place = Place(source, at, "rotation" if joint.revolute else "translation", f"at the {what} joint {joint.name}")
    for key, sensor in (("encoder", encoder), ("motor_encoder", motor_encoder)):
        if sensor is not None and sensor.rotary != joint.revolute:
            raise source.error(
                (*at, key),
                f"{sensor.name!r} measures {sensor.measures}, joint {joint.name} is {what}",
                "a rotary encoder on a revolute joint, a linear one on a prismatic joint",
            )
    if (given.placement == "both") != (motor_encoder is not None):
        without = motor_encoder is None
        found = "placement both without motor_encoder" if without else f"motor_encoder at placement {given.placement}"
        accepted = "placement: both with motor_encoder: for the one on the motor"
        raise source.error((*at, "placement" if without else "motor_encoder"), found, accepted)
    if given.counts_turns and motor_encoder is None:
        raise source.error(
            (*at, "counts_turns"), f"at placement {given.placement}", "placement: both, with motor_encoder:"
        )
    if given.mounting is not None:
        _check_mounting(given.mounting, encoder, place.within("mounting"))
    built = build(
        Joint,
        given,
        place,
        name=joint.name,
        encoder=encoder,
        travel=joint.travel,
        farthest=max((abs(end) for end in (joint.lower, joint.upper) if math.isfinite(end)), default=joint.travel),
        transmission=_transmission(given, place.within("transmission")),
        motor_encoder=motor_encoder,
        bus=bus,
    )
    measured = None
    if given.error_curve is not None:
        measured, where = (
            of_sensor(given.error_curve, joint.revolute, source, (*at, "error_curve")),
            (*at, "error_curve"),
        )
    elif encoder.batch is not None:
        measured, where = encoder.batch, (*at, "encoder")
    if measured is not None:
        bare = replace(built, encoder=replace(encoder, batch=None))
        check_curve(measured, bare.shaft_terms(), source, where)
        built = replace(built, curve=measured)
    if not math.isfinite(built.contrast_loss):
        raise source.error(
            (*at, "mounting"),
            f"the head of some units would lose its signal (contrast below {LEAST_CONTRAST:.0%})",
            "tighter head_radial, head_tilt or air_gap, a shorter sensing_window, or fewer signal_periods",
        )
    return built


def _check_mounting(given: Any, encoder: Encoder, place: Place) -> None:
    """A mounting must fit the encoder that is mounted."""
    for field in declared(Mounting):
        entry, key = getattr(given, field.name), field.key
        if entry is None or key.only not in (None, place.measures):
            continue  # the builder tells of the latter
        at = (*place.at, field.yaml)
        for need in key.needs if encoder.rotary else ():
            if not getattr(encoder, need):
                accepted = f"{need}, track_diameter or outer_diameter in the encoder {encoder.name!r}"
                raise place.source.error(at, f"{field.yaml} needs {need}", accepted)
        if key.most_of_radius is not None and entry.spread.limit > key.most_of_radius * encoder.track_radius:
            found = f"{entry.spread.limit * 1e3:.4g} mm on a track of radius {encoder.track_radius * 1e3:.4g} mm"
            accepted = f"at most {key.most_of_radius:.0%} of the radius: beyond it the series fails"
            raise place.source.error(at, found, accepted)


def _transmission(joint: Any, place: Place) -> Transmission:
    given = joint.transmission
    if given is None:
        return Transmission()
    stated = given.model_fields_set
    if place.measures == "translation":
        if joint.placement == "motor" and given.ratio not in (None, 1.0):
            raise place.source.error((*place.at, "ratio"), f"a ratio {place.what}", "ratio 1 or none")
        if given.type is not None:
            raise place.source.error(
                (*place.at, "type"), f"a gear {place.what}", "leave it out; a linear scale has none"
            )
    own = build(Transmission, given, place)
    if given.type is None:
        return own
    if "ratio" not in stated:
        raise place.source.error((*place.at, "type"), f"a {given.type} gear without its ratio", "ratio:")
    typical = tuple(key for key in TYPICAL if key not in stated)
    values = {key: getattr(PRESETS[given.type], key) for key in typical}
    return replace(own, type=given.type, typical=typical, **values)
