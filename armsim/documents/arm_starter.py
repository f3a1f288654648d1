"""A starter scenario for an arm that is known by name or by a URDF file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from armsim.documents.files import Unreadable, read_bytes
from armsim.documents.rows_starter import ENCODER, SENSORS
from armsim.documents.toolbox_arm import toolbox_arm
from armsim.documents.urdf import read_chain
from armsim.documents.urdf_file import link_name, read_urdf
from armsim.documents.write_overrides import yaml_line
from armsim.errors import InputError, Problem
from armsim.sources import Source

COMMAND_LINE = Source(Path("command line"), {}, {}, "")
JOINT_SETTINGS = {
    "revolute": (
        "placement: motor                 # before the gear; output: on the joint",
        "mounting: {eccentricity: 10 um, disc_tilt: 0.1 deg}",
        "transmission: {ratio: 100, kinematic_error: [{per: input-turn, order: 2, amplitude: 20 arcsec}], "
        "lost_motion: 20 arcsec}",
        "mastering: 10 arcsec             # zero error left after mastering",
    ),
    "prismatic": ("placement: output", "mastering: 10 um"),
}
"""Settings of the joints of a type, without their encoder. Common practice, no source."""


def arm_starter_files(arm: str, rotary_encoder: str) -> dict[str, str]:
    """Texts of the files of a starter, by name.

    Parameters
    ----------
    arm : str
        A file that ends in .urdf, or the name of a model of roboticstoolbox.
    rotary_encoder : str
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
        name, types, kinematics, files = _urdf_arm(Path(arm))
    else:
        rows = toolbox_arm(arm, COMMAND_LINE, ("--arm",)).kinematics["joints"]
        name, types, files = arm, {row["name"]: row["type"] for row in rows}, {}
        kinematics = [f"kinematics: {{toolbox: {arm}}}   # tool: {{xyz: [0 mm, 0 mm, 100 mm]}} adds a tool"]
    groups = _groups(types)
    files["arm.yaml"] = "\n".join(
        ["# yaml-language-server: $schema=schemas/arm.json", "kind: arm", f"name: {yaml_line(name)}", *kinematics,
         f"groups: {yaml_line({group: list(joints) for group, joints in groups.items()})}", ""]
    )  # fmt: skip
    files["scenario.yaml"] = _scenario(name, types, groups)
    if "revolute" in types.values():
        files["encoder.yaml"] = rotary_encoder
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
        "# Results are design estimates, not a safety function; verify them by measurement on the built arm.",
        "kind: scenario", f"name: {yaml_line(f'{name}, starter')}", "arm: arm.yaml",
        "groups:                            # settings of the joints of each group of the arm",
    ]  # fmt: skip
    for group, joints in groups.items():
        kind = types[joints[0]]
        lines += [f"  {group}:", f"    encoder: {SENSORS[kind][0]}", *(f"    {line}" for line in JOINT_SETTINGS[kind])]
    lines += [
        "requirement: {position: 500 um, coverage: 95 %}",
        "tasks: [{kind: cloud, name: workspace, points: 60}]",
        "sampling: {units: 1000, visits: 30, seed: 1}",
        "",
    ]
    return "\n".join(lines)


def _urdf_arm(path: Path) -> tuple[str, dict[str, str], list[str], dict[str, str]]:
    """Name, joints with their types, lines of kinematics, and the file itself, for the longest chain of a URDF file."""
    try:
        robot = read_urdf(path, read_bytes(path))
    except Unreadable as error:
        raise InputError(Problem(str(path), 0, 0, "", error.actual, error.accepted)) from error
    chains = [[joint for joint in robot.chain(link)[1] if joint.get("type") != "fixed"] for link in robot.links]
    longest = max(chains, key=len, default=[])
    if not longest:
        raise robot.fault("no moving joint", "a URDF file with a chain of joints")
    tip = link_name(longest[-1], "child")
    base = robot.chain(tip)[0]
    joints, _, rules, _ = read_chain(path, base, tip, COMMAND_LINE, ("--arm",))
    types = {joint.name: "revolute" if joint.revolute else "prismatic" for joint in joints if joint.name not in rules}
    links = f"base_link: {yaml_line(base)}, tip_link: {yaml_line(tip)}"
    kinematics = [f"kinematics: {{convention: urdf, file: arm.urdf, {links}}}"]
    return robot.root.get("name", "") or path.stem, types, kinematics, {"arm.urdf": robot.text}
