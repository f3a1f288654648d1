"""Motion of a scenario: speeds of the joints, and the speed limits of their sensors."""

from __future__ import annotations

import math
from typing import Annotated, Any

from pydantic import Field

from armsim.documents.fields import Word
from armsim.documents.from_spec import Context, DocumentType, build, document_type, extend_document
from armsim.errors import InputError
from armsim.model.arm import Arm
from armsim.model.joint import Joint
from armsim.model.motion import JointSpeed, Motion
from armsim.physics.speed_from_positions import signal_frequency
from armsim.sources import Source

MotionDocument = extend_document(
    Motion,
    "MotionDocument",
    {
        "joints": (
            Annotated[dict[Word, Annotated[Any, DocumentType(document_type(JointSpeed))]], Field(min_length=1)],
            ...,
        )
    },
)


def build_motion(document: Any, arm: Arm, source: Source) -> Motion:
    """Build the motion of a scenario.

    Raises
    ------
    InputError
        A joint that the arm does not have, or a speed that does not fit it.
    """
    speeds = {}
    kinds = {joint.name: joint.revolute for joint in arm.joints}
    for name, entry in document.joints.items():
        if name not in kinds:
            accepted = ", ".join(arm.names)
            raise source.error(("motion", "joints", name), "the arm has no such joint", accepted)
        measures, joint_type = ("rotation", "revolute") if kinds[name] else ("translation", "prismatic")
        context = Context(source, ("motion", "joints", name), measures, f"at the {joint_type} joint {name}")  # type: ignore[arg-type]
        speeds[name] = build(JointSpeed, entry, context).speed
    return build(Motion, document, Context(source, ("motion",), "rotation", "of the machine"), speeds=speeds)


def check_speed_limits(joint: Joint, motion: Motion | None, source: Source) -> None:
    """Check that every sensor of a joint can read at the speed of the joint.

    Raises
    ------
    InputError
        Speed or signal frequency above the limit of the data sheet.
    """
    speed = motion.speeds.get(joint.name) if motion is not None else None
    if speed is None:
        return
    key_path = ("motion", "joints", joint.name, "speed")
    for sensor, ratio in (
        (joint.encoder, joint.ratio),
        (joint.motor_encoder, joint.transmission.motor_angle_per_motion),
    ):
        if sensor is None:
            continue
        shaft_speed = abs(speed * ratio)
        if sensor.max_speed and shaft_speed > sensor.max_speed:
            finding = f"{_speed(shaft_speed, sensor.rotary)} at the shaft of {sensor.name!r}"
            raise source.error(
                key_path, finding, f"at most {_speed(sensor.max_speed, sensor.rotary)} there, by its data sheet"
            )
        frequency = signal_frequency(sensor.order, shaft_speed)
        if sensor.max_frequency and frequency > sensor.max_frequency:
            finding = f"signals of {frequency / 1e3:.4g} kHz of {sensor.name!r}"
            raise source.error(key_path, finding, f"at most {sensor.max_frequency / 1e3:.4g} kHz, by its data sheet")


def limit_violation(joint: Joint, motion: Motion | None, source: Source) -> str | None:
    """Reason why a joint cannot move at its speed; None if it can."""
    try:
        check_speed_limits(joint, motion, source)
    except InputError as error:
        return error.problems[0].actual
    return None


def _speed(value: float, rotary: bool) -> str:
    return f"{value * 60 / (2 * math.pi):.4g} rpm" if rotary else f"{1e3 * value:.4g} mm/s"
