"""Writing of corrected origins into the text of a URDF file, which is otherwise unchanged."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from xml.sax.saxutils import quoteattr

import numpy as np

from armsim.arrays import Array
from armsim.errormodel.terms import Axis, Role
from armsim.model.arm import Arm
from armsim.model.kinematics import roll_pitch_yaw, rotation

_JOINT = re.compile(r"<joint\b([^>]*)>", re.DOTALL)
_NAME = re.compile(r"""\bname\s*=\s*(?:"([^"]*)"|'([^']*)')""")
_ORIGIN = re.compile(r"<origin\b[^>]*?(/>|>\s*</origin\s*>)", re.DOTALL)
_COMMENT = re.compile(r"<!--.*?-->", re.DOTALL)
ORIGIN_PARAMETERS = ("x", "y", "z", "yaw", "pitch", "roll")


def with_origins(text: str, arm: Arm, displacements: Mapping[Axis, float]) -> str:
    """Replace the origins of the joints of an arm in the text of a URDF file.

    URDF has no offset of a joint: an identified zero becomes a rotation of the origin about the axis of the joint, or a
    shift along that of a slide.

    Parameters
    ----------
    text : str
        Text of the file from which the arm was read.
    arm : Arm
    displacements : mapping of Axis to float
        Change of a constant of a link, or of the zero of a joint. [rad or m]

    Returns
    -------
    str
        The text with the corrected origins.

    Raises
    ------
    ValueError
        The text has no such joint.
    """
    for owner in dict.fromkeys(axis.owner for axis in displacements):
        xyz, rpy = _origin(arm, owner, displacements)
        text = _replace_origin(text, owner, f"<origin xyz={_numbers(xyz)} rpy={_numbers(rpy)}/>")
    return text


def _origin(arm: Arm, owner: str, displacements: Mapping[Axis, float]) -> tuple[Array, Array]:
    """Translation [m] and roll, pitch, yaw [rad] of the origin of a joint."""
    from scipy.spatial.transform import Rotation

    axes = [Axis(owner, parameter, Role.LINK) for parameter in ORIGIN_PARAMETERS]
    values = [arm.motions[arm.motion_index(axis)].value + displacements.get(axis, 0.0) for axis in axes]
    xyz, rpy = np.array(values[:3]), np.array(values[:2:-1])
    zero = displacements.get(Axis(owner), 0.0)
    if not zero:
        return xyz, rpy
    motion = arm.motions[arm.motion_index(Axis(owner))]
    turn = Rotation.from_euler("xyz", rpy).as_matrix()
    if not motion.rotary:
        return xyz + zero * (turn @ np.array(motion.direction)), rpy
    return xyz, np.array(roll_pitch_yaw(turn @ rotation(motion.direction, zero)[0]))


def _numbers(values: Sequence[float] | Array) -> str:
    return quoteattr(" ".join(f"{value:.15g}" for value in values))


def _replace_origin(text: str, name: str, origin: str) -> str:
    without_comments = _COMMENT.sub(lambda match: " " * len(match[0]), text)
    for match in _JOINT.finditer(without_comments):
        name_match = _NAME.search(match[1])
        if (
            name_match is None
            or " ".join((name_match[1] or name_match[2] or "").split()) != name
            or match[1].rstrip().endswith("/")
        ):
            continue
        end = without_comments.find("</joint", match.end())
        inside = without_comments[match.end() : end]
        if "<parent" not in inside:  # a transmission names joints as well
            continue
        origin_match = _ORIGIN.search(inside)
        if origin_match is None:
            return f"{text[: match.end()]}\n    {origin}{text[match.end() :]}"
        start = match.end() + origin_match.start()
        return text[:start] + origin + text[match.end() + origin_match.end() :]
    raise ValueError(f"no joint {name!r}")
