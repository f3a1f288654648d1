"""The document of the arm of a scenario, as it was read and changed."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from armsim.documents.toolbox_arm import toolbox_arm
from armsim.scenario import Scenario


@dataclass(frozen=True)
class ArmSource:
    """The document of an arm, and its URDF file where it names one."""

    data: dict[str, Any]
    urdf: Path | None


def arm_source(scenario: Scenario) -> ArmSource:
    """Document of the arm of a scenario that was read from files."""
    source = scenario.sources[0]
    reference = source.data["arm"]
    key_path: tuple[str, ...] = ("arm",)
    data = reference
    if isinstance(reference, str):
        path = os.path.realpath(source.resolve_path(key_path, reference))
        source = next(file for file in scenario.sources if os.path.realpath(file.path) == path)
        data, key_path = source.data, ()
    name = data["kinematics"].get("toolbox")
    if name is not None:
        rows = toolbox_arm(name, source, (*key_path, "kinematics", "toolbox")).kinematics
        frames = {key: data["kinematics"][key] for key in ("base", "tool") if key in data["kinematics"]}
        data = {**data, "kinematics": {**rows, **frames}}
    file = data["kinematics"].get("file")
    return ArmSource(data, None if file is None else source.resolve_path((*key_path, "kinematics", "file"), file))
