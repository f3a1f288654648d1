"""The serial chain between two links of a URDF file, through a parser that refuses entities and outside references."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from armsim.documents.couplings import MIMIC_KIND, FollowerRule
from armsim.documents.fields import LONGEST_NAME, QuantityWithKind
from armsim.documents.files import Unreadable, read_bytes, unprintable_character
from armsim.documents.inertials import link_masses
from armsim.documents.units import read_number
from armsim.documents.urdf_file import read_urdf
from armsim.errormodel.terms import Axis, Role
from armsim.errors import InputError
from armsim.model.chain import fixed_transforms
from armsim.model.gravity import Mass
from armsim.model.kinematics import ArmJoint, ElementaryTransform
from armsim.sources import Source

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

MOST_JOINTS = 64
SHORTEST_AXIS = 1e-6
"""Shortest accepted vector of an axis."""
LARGEST_NUMBER = 1e4
"""Largest accepted length [m] and angle [rad]."""
Vector = tuple[float, float, float]
Fault = Callable[[str, str, str], InputError]


def read_chain(
    path: Path, base_link: str, tip_link: str, source: Source, key_path: tuple[str | int, ...]
) -> tuple[tuple[ArmJoint, ...], list[ElementaryTransform], dict[str, FollowerRule], dict[str, Mass]]:
    """Joints, motions and masses from ``base_link`` to ``tip_link``; fixed joints become part of the links.

    Parameters
    ----------
    path : Path
    base_link, tip_link : str
    source, key_path : Source, key path
        Document and key that name the file, for error messages.

    Returns
    -------
    joints : tuple of ArmJoint
        Base first.
    motions : list of ElementaryTransform
        With a number for every moving joint, those that mimic others too.
    rules : dict of joint name to Rule
        Of the joints that mimic others.
    masses : dict of joint name to Mass

    Raises
    ------
    InputError
        Not URDF, an unknown link, or a chain without moving joints.

    References
    ----------
    .. [1] URDF XML specification, elements joint, origin, axis, limit, mimic, inertial.
    """
    try:
        raw = read_bytes(path)
    except Unreadable as error:
        raise source.error((*key_path, "file"), f"{path}: {error.actual}", error.accepted) from error
    robot = read_urdf(path, raw)
    fault = robot.fault
    for key, link in (("base_link", base_link), ("tip_link", tip_link)):
        if link not in robot.links:
            raise source.error((*key_path, key), f"{path.name} has no link {link!r}", ", ".join(robot.links[:40]))
    first, chain = robot.chain(tip_link, base_link)
    if first != base_link:
        finding = f"{base_link!r} is not above {tip_link!r}"
        raise source.error((*key_path, "base_link"), finding, "a link between the root and the tip")
    joints: list[ArmJoint] = []
    motions: list[ElementaryTransform] = []
    names: set[str] = set()
    rules: dict[str, FollowerRule] = {}
    for element in chain:
        raw_name, kind = element.get("name", ""), element.get("type", "")
        name = " ".join(raw_name.split())
        if not name or len(name) > LONGEST_NAME or unprintable_character(name) is not None:
            accepted = f"a name of at most {LONGEST_NAME} characters that can be shown"
            raise fault(f"a joint named {name[:60]!r}", accepted, name)
        if name in names:
            raise fault(f"two joints named {name!r}", "each name once", name)
        names.add(name)
        origin = element.find("origin")
        xyz = _vector(origin, "xyz", (0.0, 0.0, 0.0), fault, name)
        rpy = _vector(origin, "rpy", (0.0, 0.0, 0.0), fault, name)
        motions += fixed_transforms(xyz, rpy, name, Role.LINK)
        if kind == "fixed":
            continue
        if kind not in ("revolute", "continuous", "prismatic"):
            raise fault(f"joint {name!r} of type {kind!r}", "revolute, continuous, prismatic, fixed", name)
        mimic = element.find("mimic")
        if mimic is not None:
            factor, other = _number(mimic, "multiplier", 1.0, fault, name), " ".join(mimic.get("joint", "").split())
            offset = _number(mimic, "offset", 0.0, fault, name)
            rules[name] = FollowerRule({other: QuantityWithKind(factor, MIMIC_KIND)}, offset, _mimic_fault(fault, name))
        axis = _vector(element.find("axis"), "xyz", (1.0, 0.0, 0.0), fault, name)
        length = math.hypot(*axis)
        if length < SHORTEST_AXIS:
            raise fault(f"joint {name!r} has an axis of length zero", "a direction", name)
        direction = (axis[0] / length, axis[1] / length, axis[2] / length)
        revolute = kind != "prismatic"
        lower, upper = -math.inf, math.inf
        limit = element.find("limit")
        if kind != "continuous" and limit is not None:
            lower, upper = _number(limit, "lower", 0.0, fault, name), _number(limit, "upper", 0.0, fault, name)
            if lower >= upper:
                raise fault(
                    f"joint {name!r} has the range [{lower:g}, {upper:g}]", "a lower end below the upper end", name
                )
        motions.append(ElementaryTransform(direction, revolute, 0.0, (Axis(name),), len(joints)))
        joints.append(ArmJoint(name, revolute, lower, upper))
    if len(joints) > MOST_JOINTS:
        raise source.error((*key_path, "tip_link"), f"{len(joints)} moving joints", f"at most {MOST_JOINTS}")
    if not joints:
        raise source.error((*key_path, "tip_link"), "no moving joint between the two links", "a chain with a joint")
    moving = [element for element in chain if element.get("type") != "fixed"]
    return tuple(joints), motions, rules, link_masses(robot.root, moving, fault)


def _mimic_fault(fault: Fault, joint: str) -> Callable[[str, str], InputError]:
    """Factory of errors at a joint that mimics another."""
    return lambda finding, accepted: fault(f"joint {joint!r} mimics another: {finding}", accepted, joint)


def _vector(element: Element | None, attribute: str, default: Vector, fault: Fault, joint: str) -> Vector:
    text = element.get(attribute) if element is not None else None
    if text is None:
        return default
    try:
        values = [read_number(part) for part in text.split()]
    except ValueError:
        values = []
    if len(values) != 3 or not all(abs(value) <= LARGEST_NUMBER for value in values):
        accepted = f"three numbers of at most {LARGEST_NUMBER:g} in SI units"
        raise fault(f"joint {joint!r}: {attribute}={text[:60]!r}", accepted, joint)
    return (values[0], values[1], values[2])


def _number(element: Element, attribute: str, default: float, fault: Fault, joint: str) -> float:
    text = element.get(attribute)
    if text is None:
        return default
    try:
        value = read_number(text)
    except ValueError:
        value = math.nan
    if not abs(value) <= LARGEST_NUMBER:
        accepted = f"a number of at most {LARGEST_NUMBER:g} in SI units"
        raise fault(f"joint {joint!r}: {attribute}={text[:60]!r}", accepted, joint)
    return value
