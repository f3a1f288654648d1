"""Write a selected design as a short scenario file that lists only its changes to the base scenario.

References and units are kept as the source files state them.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

import yaml

from armsim.documents.catalogue_document import ENTRY_ENCODER_KEYS, encoder_name
from armsim.documents.grammar import EXPONENT
from armsim.documents.references import relative_name
from armsim.model.joint import FittingPrice
from armsim.model.machine import Machine
from armsim.model.mounting import Mounting
from armsim.sources import Source


class EncoderSelection(Protocol):
    """Selected encoder, by its name in a catalogue."""

    @property
    def encoder(self) -> str:
        """Name of the encoder."""

    @property
    def encoder_price(self) -> float | None:
        """Price of the encoder where the quantity bought decides it."""

    @property
    def one_off(self) -> float:
        """Share in what the type of the encoder costs once."""


class JointSelection(EncoderSelection, Protocol):
    """Selected encoder, mounting and placement of one joint, by the names of a catalogue."""

    @property
    def joint(self) -> str:
        """Name of the joint."""

    @property
    def mounting(self) -> str:
        """Name of the mounting."""

    @property
    def placement(self) -> str:
        """Placement: motor, output or both."""

    @property
    def motor(self) -> EncoderSelection | None:
        """Encoder selected for the motor beside one on the output."""


def selection_text(
    base: Path,
    machine: Machine,
    sources: Sequence[Source],
    catalogue: Path,
    selections: Iterable[JointSelection],
    name: str,
    folder: Path,
    earlier_changes: Mapping[str, Any] | None = None,
) -> str:
    """YAML text of a scenario that applies a selection from a catalogue to another scenario.

    If all joints of the arm, or of a group, have the same selection, its lines are written once for them.

    Parameters
    ----------
    base : Path
        File of the other scenario.
    machine : Machine
        Machine of that scenario.
    sources : sequence of Source
        Files read, including the catalogue and the files that it names.
    catalogue : Path
    selections : iterable of JointSelection
    name : str
        Name of the new scenario.
    folder : Path
        Folder of the new file, to which its references are relative.
    earlier_changes : mapping of path to value, optional
        Changes of the scenario that preceded the selection.
    """
    joint_keys = joint_changes(machine, sources, catalogue, selections, folder)
    changes = dict(earlier_changes or {})
    for path, joints in _joint_paths(joint_keys, machine.arm.groups):
        for key, value in joint_keys[joints[0]].items():
            changes[f"{path}.{key}"] = value
    return changes_text(name, base, folder, changes)


def changes_text(name: str, base: Path, folder: Path, changes: Mapping[str, Any]) -> str:
    """YAML text of a scenario, to be saved in a folder, that applies changes to a base."""
    lines = ["kind: scenario", f"name: {yaml_line(name)}", f"base: {yaml_line(relative_name(base, folder))}"]
    lines.append("changes:" if changes else "changes: {}")
    return "\n".join([*lines, *(f"  {yaml_line(path)}: {yaml_line(value)}" for path, value in changes.items()), ""])


def joint_changes(
    machine: Machine, sources: Sequence[Source], catalogue: Path, selections: Iterable[JointSelection], folder: Path
) -> dict[str, dict[str, Any]]:
    """Changed keys of every joint in a selection; parameters as in `selection_text`."""
    source_by_path = {os.path.realpath(source.path): source for source in sources}
    catalogue_data = source_by_path[os.path.realpath(catalogue)].data
    mountings = {entry["name"]: entry for entry in catalogue_data.get("mountings", ())}
    placements = catalogue_data.get("placements", {})
    entries = {encoder_name(entry["encoder"], catalogue, source_by_path): entry for entry in catalogue_data["encoders"]}
    changes = {}
    joints = {joint.name: joint for joint in machine.joints}
    for selection in selections:
        joint, motor = joints[selection.joint], selection.motor
        mounting, entry = mountings.get(selection.mounting), entries[selection.encoder]
        prices = {
            "mounting": joint.fitting.mounting if mounting is None else mounting.get("price", 0),
            "placement": placements.get(selection.placement, joint.fitting.placement),
            "encoder": selection.encoder_price,
            "motor_encoder": None if motor is None else motor.encoder_price,
            "one_off": selection.one_off + (0.0 if motor is None else motor.one_off),
        }
        keys = {
            "encoder": reference(entry, selection.encoder, catalogue, folder),
            "motor_encoder": None
            if motor is None
            else reference(entries[motor.encoder], motor.encoder, catalogue, folder),
            **({"placement": selection.placement} if placements else {}),
            **({} if mounting is None else {"mounting": mounting.get("mounting")}),
            "price": {
                key: int(cost) if float(cost).is_integer() else cost
                for key, cost in prices.items()
                if cost or (key in ("encoder", "motor_encoder") and cost == 0)
            }
            or None,
        }
        present_keys = {
            "motor_encoder": joint.motor_encoder is not None and selection.placement != "both",
            "counts_turns": joint.counts_turns and selection.placement != "both",
            "mounting": mounting is not None and joint.mounting != Mounting(), "price": joint.fitting != FittingPrice(),
        }  # fmt: skip
        removed = [key for key, is_stated in present_keys.items() if is_stated and keys.get(key) is None]
        stated_values = {key: value for key, value in keys.items() if value is not None}
        changes[joint.name] = {**stated_values, **dict.fromkeys(removed)}
    return changes


def reference(entry: Mapping[str, Any], name: str, catalogue: Path, folder: Path) -> str:
    """Reference to the encoder of a catalogue entry: its own file where that states all, otherwise the entry."""
    encoder, catalogue_folder = entry["encoder"], Path(os.path.realpath(catalogue)).parent
    if isinstance(encoder, str) and not any(key in entry for key in ENTRY_ENCODER_KEYS):
        return relative_name(catalogue_folder / encoder, folder)
    return f"{relative_name(catalogue, folder)}#{name}"


def _joint_paths(
    changes: Mapping[str, Any], groups: Mapping[str, tuple[str, ...]]
) -> list[tuple[str, tuple[str, ...]]]:
    """Paths with the joints that they cover; joints with equal changes share a path."""
    all_joints = tuple(changes)
    if len(all_joints) > 1 and _all_equal(changes, all_joints):
        return [("joints.*", all_joints)]
    out, grouped = [], set[str]()
    for group, joints in groups.items():
        if len(joints) > 1 and _all_equal(changes, joints) and not grouped & set(joints):
            out.append((f"groups.{group}", joints))
            grouped |= set(joints)
    return out + [(f"joints.{joint}", (joint,)) for joint in all_joints if joint not in grouped]


def _all_equal(changes: Mapping[str, Any], joints: tuple[str, ...]) -> bool:
    return all(changes[joint] == changes[joints[0]] for joint in joints)


class _Writer(yaml.SafeDumper):
    """Writer of values that the reader takes back as they are: texts such as 1e3 are quoted."""

    def represent_str(self, data: str) -> yaml.ScalarNode:
        """YAML node of a string, quoted if it looks like a number."""
        return self.represent_scalar("tag:yaml.org,2002:str", data, "'" if EXPONENT.match(data) else None)


_Writer.add_representer(str, _Writer.represent_str)


def yaml_line(value: Any) -> str:
    """A value on one line of YAML."""
    text: str = yaml.dump(
        value, Dumper=_Writer, default_flow_style=True, sort_keys=False, width=10**6, allow_unicode=True
    )
    return text.removesuffix("\n").removesuffix("\n...")
