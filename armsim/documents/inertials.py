"""Masses of the links of a URDF file, assigned to the joints that carry them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from armsim.arrays import Array
from armsim.documents.units import read_number
from armsim.documents.urdf_file import link_name
from armsim.errors import InputError
from armsim.model.gravity import Mass
from armsim.model.kinematics import rotation

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

HEAVIEST = 1e5
"""Largest mass of a link: beyond it nothing is a robot arm. [kg]"""
FARTHEST = 1e4
"""Largest distance of a centre. [m]"""
Fault = Callable[[str, str, str], InputError]


def link_masses(root: Element, moving: Sequence[Element], fault: Fault) -> dict[str, Mass]:
    """Mass and centre carried by each moving joint of a chain up to the next one, in the frame of its link.

    Links on other joints, such as fingers, are taken in their zero position.

    Parameters
    ----------
    root : Element
        Root element of the file.
    moving : sequence of Element
        Moving joints of the chain, base first.
    fault : callable
        Factory of an error: what was found, what is accepted, name of the element.

    Returns
    -------
    dict of joint name to Mass [kg, m]
        Without joints that carry no mass.

    References
    ----------
    .. [1] URDF XML specification, element inertial: the origin is the centre of gravity in the frame of the link.
    """
    links = {link.get("name", ""): link for link in root.findall("link")}
    child_joints: dict[str, list[Element]] = {}
    for joint in root.findall("joint"):
        child_joints.setdefault(link_name(joint, "parent"), []).append(joint)
    chain_joints = {id(joint) for joint in moving}
    masses = {}
    for joint in moving:
        point_masses: list[tuple[float, Array]] = []
        pending = [(link_name(joint, "child"), np.eye(4))]
        link_names: set[str] = set()
        while pending:
            name, frame = pending.pop()
            if name in link_names or name not in links:
                continue
            link_names.add(name)
            mass, centre = _inertial(links[name], fault, name)
            if mass:
                point_masses.append((mass, frame[:3, :3] @ centre + frame[:3, 3]))
            pending += [
                (link_name(other, "child"), frame @ _origin(other, fault))
                for other in child_joints.get(name, ())
                if id(other) not in chain_joints
            ]
        total = sum(mass for mass, _ in point_masses)
        if total:
            x, y, z = (sum(mass * centre[k] for mass, centre in point_masses) / total for k in range(3))
            masses[" ".join(joint.get("name", "").split())] = Mass(total, (float(x), float(y), float(z)))
    return masses


def _inertial(link: Element, fault: Fault, name: str) -> tuple[float, Array]:
    inertial = link.find("inertial")
    mass_element = inertial.find("mass") if inertial is not None else None
    if inertial is None or mass_element is None:
        return 0.0, np.zeros(3)
    text = mass_element.get("value", "")
    try:
        mass = read_number(text)
    except ValueError:
        mass = math.nan
    if not 0.0 <= mass <= HEAVIEST:
        raise fault(f"link {name!r}: mass={text[:60]!r}", f"a number from 0 to {HEAVIEST:g}, in kg", name)
    return mass, _numbers(inertial.find("origin"), "xyz", fault, name)


def _origin(joint: Element, fault: Fault) -> Array:
    """Frame of a joint in that of the link above it, shape (4, 4)."""
    name, origin = joint.get("name", ""), joint.find("origin")
    roll, pitch, yaw = _numbers(origin, "rpy", fault, name)
    out = np.eye(4)
    turns = (((0.0, 0.0, 1.0), yaw), ((0.0, 1.0, 0.0), pitch), ((1.0, 0.0, 0.0), roll))
    for axis, angle in turns:
        out[:3, :3] = out[:3, :3] @ rotation(axis, angle)[0]
    out[:3, 3] = _numbers(origin, "xyz", fault, name)
    return out


def _numbers(element: Element | None, attribute: str, fault: Fault, name: str) -> Array:
    text = element.get(attribute) if element is not None else None
    if text is None:
        return np.zeros(3)
    try:
        values = np.array([read_number(part) for part in text.split()])
    except ValueError:
        values = np.empty(0)
    if values.shape != (3,) or not np.all(np.abs(values) <= FARTHEST):
        raise fault(f"{name!r}: {attribute}={text[:60]!r}", f"three numbers of at most {FARTHEST:g} in SI units", name)
    return values
