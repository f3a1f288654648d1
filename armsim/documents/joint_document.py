"""Joints of a scenario: the document, its checks against the arm, and the model object."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal, get_args

from armsim.documents.from_spec import Context, build, document_type, extend_document
from armsim.documents.needs_document import NeedsDocument
from armsim.documents.read_measured_curves import CurveDocument, check_curve, sensor_curve
from armsim.field_spec import declared_fields
from armsim.model.arm import Arm
from armsim.model.drives import drive_range
from armsim.model.encoder import Encoder
from armsim.model.gears import TYPICAL_GEARS, TYPICAL_KEYS, GearType
from armsim.model.gravity import Masses
from armsim.model.installation import Needs
from armsim.model.joint import Bus, Joint
from armsim.model.mounting import Mounting
from armsim.model.transmission import Transmission
from armsim.physics.assembly import LEAST_CONTRAST
from armsim.sources import KeyPath, Source

Reference = Any
"""A path relative to the file, or the document itself."""
SLIDE_KEYS = ("kinematic_error", "lead_error", "expansion", "fixed_bearing")
"""Keys of a transmission that a slide has by its screw, rack or belt alone."""
MountingDocument = document_type(Mounting)
TransmissionDocument = extend_document(
    Transmission, "TransmissionDocument", {"type": (Literal[get_args(GearType)], None)}
)
JointDocument = extend_document(
    Joint,
    "JointDocument",
    {
        "encoder": (Reference, ...),
        "motor_encoder": (Reference, None),
        "transmission": (TransmissionDocument, None),
        "error_curve": (CurveDocument | None, None),
        "needs": (NeedsDocument, None),
    },
)


def build_joint(
    document: Any,
    arm: Arm,
    number: int,
    encoder: Encoder,
    motor_encoder: Encoder | None,
    bus: Bus,
    source: Source,
    key_path: KeyPath,
) -> Joint:
    """Build a joint with its sensors.

    Parameters
    ----------
    document : JointDocument
    arm : Arm
    number : int
        Number of the joint.
    encoder : Encoder
        Encoder of the position loop.
    motor_encoder : Encoder or None
        Second encoder, with placement both.
    bus : Bus
    source, key_path : Source, key path
        Place of the document, for error messages.

    Raises
    ------
    InputError
        A quantity that does not fit the joint, its encoder or its placement.
    """
    joint = arm.joints[number]
    joint_type = "revolute" if joint.revolute else "prismatic"
    travel, farthest = drive_range(arm, number, document.placement == "motor")
    context = Context(
        source,
        key_path,
        "rotation" if joint.revolute else "translation",
        f"at the {joint_type} joint {joint.name}",
        encoder.measures,
    )
    slides = document.transmission is not None and bool(
        document.transmission.lead or document.transmission.pinion_radius
    )
    turns_motor = joint.revolute or slides
    for key, sensor, rotary in (
        ("encoder", encoder, turns_motor if document.placement == "motor" else joint.revolute),
        ("motor_encoder", motor_encoder, turns_motor),
    ):
        if sensor is not None and sensor.rotary != rotary:
            raise source.error(
                (*key_path, key),
                f"{sensor.name!r} measures {sensor.measures}, joint {joint.name} is {joint_type}",
                "a rotary encoder on a revolute joint, a linear one on a prismatic joint; a rotary one on the motor of "
                "a slide with transmission: {lead: } or {pinion_radius: }",
            )
    if (document.placement == "both") != (motor_encoder is not None):
        is_missing = motor_encoder is None
        finding = (
            "placement both without motor_encoder" if is_missing else f"motor_encoder at placement {document.placement}"
        )
        accepted = "placement: both with motor_encoder: for the one on the motor"
        raise source.error((*key_path, "placement" if is_missing else "motor_encoder"), finding, accepted)
    if document.counts_turns and motor_encoder is None:
        raise source.error(
            (*key_path, "counts_turns"), f"at placement {document.placement}", "placement: both, with motor_encoder:"
        )
    if document.mounting is not None:
        _check_mounting(document.mounting, encoder, context.for_sensor().child("mounting"))
    fitted_joint = build(
        Joint,
        document,
        context,
        name=joint.name,
        encoder=encoder,
        travel=travel,
        farthest=farthest,
        transmission=_transmission(document, context.child("transmission")),
        motor_encoder=motor_encoder,
        bus=bus,
        needs=Needs() if document.needs is None else build(Needs, document.needs, context.child("needs")),
    )
    curve = None
    if document.error_curve is not None:
        curve, curve_path = (
            sensor_curve(document.error_curve, encoder.rotary, source, (*key_path, "error_curve")),
            (*key_path, "error_curve"),
        )
    elif encoder.batch_curve is not None:
        curve, curve_path = encoder.batch_curve, (*key_path, "encoder")
    if curve is not None:
        bare_joint = replace(fitted_joint, encoder=replace(encoder, batch_curve=None))
        check_curve(curve, bare_joint.shaft_terms(), source, curve_path)
        fitted_joint = replace(fitted_joint, measured_curve=curve)
    if not math.isfinite(fitted_joint.contrast_loss):
        raise source.error(
            (*key_path, "mounting"),
            f"the head of some arms would lose its signal (contrast below {LEAST_CONTRAST:.0%})",
            "tighter head_radial, head_tilt or air_gap, a shorter sensing_window, or fewer signal_periods",
        )
    return fitted_joint


def check_masses(joints: Sequence[Joint], masses: Masses | None, source: Source) -> None:
    """Check that the arm has masses where a joint bends.

    Parameters
    ----------
    joints : sequence of Joint
    masses : Masses or None
    source : Source
        File of the scenario.

    Raises
    ------
    InputError
        A joint bends, and nothing loads it.
    """
    bending_joints = [joint.name for joint in joints if joint.bending.stiffness]
    if masses is None and bending_joints:
        key_path = ("joints", bending_joints[0], "bending")
        raise source.error(key_path, "bending of an arm without masses", "masses: in the arm, of links or payload")


def _check_mounting(mounting: Any, encoder: Encoder, context: Context) -> None:
    """Check that a mounting fits its encoder."""
    for field in declared_fields(Mounting):
        entry, key = getattr(mounting, field.name), field.key
        if entry is None or key.only not in (None, context.measures):
            continue  # `build` reports the latter
        key_path = (*context.key_path, field.yaml)
        for need in key.needs if encoder.rotary else ():
            if not getattr(encoder, need):
                accepted = f"{need}, track_diameter or outer_diameter in the encoder {encoder.name!r}"
                raise context.source.error(key_path, f"{field.yaml} needs {need}", accepted)
        if key.most_of_radius is not None and entry.spread.limit > key.most_of_radius * encoder.track_radius:
            finding = f"{entry.spread.limit * 1e3:.4g} mm on a track of radius {encoder.track_radius * 1e3:.4g} mm"
            accepted = f"at most {key.most_of_radius:.0%} of the radius: beyond it the approximation fails"
            raise context.source.error(key_path, finding, accepted)


def _transmission(joint: Any, context: Context) -> Transmission:
    document = joint.transmission
    if document is None:
        return Transmission()
    stated_keys = document.model_fields_set
    if context.measures == "translation":
        if document.lead and document.pinion_radius:
            raise context.source.error(
                (*context.key_path, "pinion_radius"), "beside a lead", "a screw or a pinion, one of them"
            )
        slides = bool(document.lead or document.pinion_radius)
        for key in () if slides else SLIDE_KEYS:
            if getattr(document, key):
                accepted = "lead: of the screw, or pinion_radius: of the rack or belt, beside it"
                raise context.source.error(
                    (*context.key_path, key), f"{key} {context.subject} without a screw, rack or belt", accepted
                )
        if joint.placement == "motor" and not slides and document.ratio not in (None, 1.0):
            accepted = "ratio 1 or none, or the lead: or pinion_radius: that the motor turns by it"
            raise context.source.error((*context.key_path, "ratio"), f"a ratio {context.subject}", accepted)
        if document.type is not None:
            raise context.source.error(
                (*context.key_path, "type"),
                f"a gear {context.subject}",
                "leave it out: typical values are of joints that turn",
            )
    transmission = build(Transmission, document, context)
    if document.type is None:
        return transmission
    if "ratio" not in stated_keys:
        raise context.source.error((*context.key_path, "type"), f"a {document.type} gear without its ratio", "ratio:")
    typical = tuple(key for key in TYPICAL_KEYS if key not in stated_keys)
    values = {key: getattr(TYPICAL_GEARS[document.type], key) for key in typical}
    return replace(transmission, type=document.type, typical_keys=typical, **values)
