"""A starter scenario for an arm that is known by name or by a URDF file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from armsim.documents.files import Unreadable, read_bytes
from armsim.documents.rows_starter import ENCODER, SENSORS
from armsim.documents.toolbox_arm import toolbox_arm
from armsim.documents.write_overrides import yaml_line
from armsim.errors import InputError, Problem
from armsim.sources import Source

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

SETTINGS = {
    "revolute": (
        "placement: motor                 # before the gear; output: on the joint",
        "mounting: {eccentricity: 10 um, disc_tilt: 0.1 deg}",
        "transmission: {ratio: 100, kinematic_error: [{per: input-turn, order: 2, amplitude: 20 arcsec}], "
        "lost_motion: 20 arcsec}",
        "mastering: 10 arcsec             # zero error left after mastering",
    ),
    "prismatic": ("placement: output", "mastering: 10 um"),
}
"""Settings of the joints of a type beside their encoder. Common practice, no source."""


def starter_of_arm(arm: str, disc: str) -> dict[str, str]:
    """Texts of the files of a starter, by name.

    Parameters
    ----------
    arm : str
        A file that ends in .urdf, or the name of a model of roboticstoolbox.
    disc : str
        Text of the encoder of joints that turn.

    Returns
    -------
    dict of file name to text

    Raises
    ------
    InputError
        No such file or model, or no chain of joints in the file.
    """
    if arm.lower().endswith(".urdf"):
        name, types, kinematics, files = _of_urdf(Path(arm))
    else:
        rows = toolbox_arm(arm, Source(Path("command line"), {}, {}, ""), ("--arm",)).kinematics["joints"]
        name, types, files = arm, {row["name"]: row["type"] for row in rows}, {}
        kinematics = [f"kinematics: {{toolbox: {arm}}}   # tool: {{xyz: [0 mm, 0 mm, 100 mm]}} adds a tool"]
    groups = _groups(types)
    files["arm.yaml"] = "\n".join(
        ["# yaml-language-server: $schema=schemas/arm.json", "kind: arm", f"name: {yaml_line(name)}", *kinematics,
         f"groups: {yaml_line({group: list(joints) for group, joints in groups.items()})}", ""]
    )  # fmt: skip
    files["scenario.yaml"] = _scenario(name, types, groups)
    if "revolute" in types.values():
        files["encoder.yaml"] = disc
    if "prismatic" in types.values():
        _, measures, resolution, accuracy, repeatability = SENSORS["prismatic"]
        files["scale.yaml"] = ENCODER.format(
            measures=measures, resolution=resolution, accuracy=accuracy, repeatability=repeatability
        )
    return files


def _groups(types: Mapping[str, str]) -> dict[str, Sequence[str]]:
    """Slides, base and wrist, each of joints of one type."""
    turning = [joint for joint, kind in types.items() if kind == "revolute"]
    groups = {
        "slides": [joint for joint, kind in types.items() if kind == "prismatic"],
        "base": turning[: (len(turning) + 1) // 2],
        "wrist": turning[(len(turning) + 1) // 2 :],
    }
    return {group: joints for group, joints in groups.items() if joints}


def _scenario(name: str, types: Mapping[str, str], groups: Mapping[str, Sequence[str]]) -> str:
    lines = [
        "# yaml-language-server: $schema=schemas/scenario.json",
        "# The question: this arm, these encoders, this requirement. Encoders, gears and mountings are invented.",
        "# What it answers are design estimates, not a safety function; verify by measurement on the built arm.",
        "kind: scenario", f"name: {yaml_line(f'{name}, a start')}", "arm: arm.yaml",
        "groups:                            # settings of the joints of each group of the arm",
    ]  # fmt: skip
    for group, joints in groups.items():
        kind = types[joints[0]]
        lines += [f"  {group}:", f"    encoder: {SENSORS[kind][0]}", *(f"    {line}" for line in SETTINGS[kind])]
    lines += [
        "requirement: {position: 500 um, coverage: 95 %}",
        "tasks: [{kind: cloud, name: workspace, points: 60}]",
        "sampling: {units: 1000, visits: 30, seed: 1}",
        "",
    ]
    return "\n".join(lines)


def _of_urdf(path: Path) -> tuple[str, dict[str, str], list[str], dict[str, str]]:
    """Name, joints with their types, lines of kinematics, and the file itself, for the longest chain of a URDF file."""
    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import ParseError, fromstring

    def fault(actual: str, accepted: str) -> InputError:
        return InputError(Problem(str(path), 0, 0, "", actual, accepted))

    try:
        raw = read_bytes(path)
        root: Element = fromstring(raw, forbid_dtd=True)
        text = raw.decode("utf-8-sig")
    except Unreadable as error:
        raise fault(error.actual, error.accepted) from error
    except (ParseError, DefusedXmlException, ValueError, LookupError) as error:
        raise fault(f"not XML: {error}", "a URDF file in UTF-8") from error
    by_child = {_link(joint, "child"): joint for joint in root.findall("joint")}
    chains = [_chain(link.get("name", ""), by_child) for link in root.findall("link")]
    longest = max(chains, key=lambda chain: len(_driven(chain)), default=[])
    types = {" ".join(joint.get("name", "").split()): _type(joint) for joint in _driven(longest)}
    if not types:
        raise fault("no moving joint", "a URDF file with a chain of joints")
    last = max(number for number, joint in enumerate(longest) if joint.get("type") != "fixed")
    base, tip = _link(longest[0], "parent"), _link(longest[last], "child")
    links = f"base_link: {yaml_line(base)}, tip_link: {yaml_line(tip)}"
    kinematics = [f"kinematics: {{convention: urdf, file: arm.urdf, {links}}}"]
    return root.get("name", "") or path.stem, types, kinematics, {"arm.urdf": text}


def _chain(link: str, by_child: Mapping[str, Element]) -> list[Element]:
    """Joints from the root to a link."""
    chain: list[Element] = []
    while link in by_child and len(chain) <= len(by_child):
        chain.append(by_child[link])
        link = _link(by_child[link], "parent")
    return chain[::-1]


def _driven(chain: Sequence[Element]) -> list[Element]:
    """Joints of a chain that move and follow no other."""
    return [joint for joint in chain if joint.get("type") != "fixed" and joint.find("mimic") is None]


def _type(joint: Element) -> str:
    return "prismatic" if joint.get("type") == "prismatic" else "revolute"


def _link(joint: Element, tag: str) -> str:
    element = joint.find(tag)
    return element.get("link", "") if element is not None else ""
