"""Options for editing a design: encoder, placement and mounting of every joint, and every number in its file."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from armsim.decide.decision_records import FittedEncoder
from armsim.decide.display_units import display_unit_of
from armsim.documents.catalogue_document import AS_IT_IS, encoder_name
from armsim.documents.files import Unreadable
from armsim.documents.source import read_source
from armsim.documents.write_overrides import joint_changes, reference
from armsim.errors import InputError
from armsim.explorer.session import Session
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.parameters import StatedNumber, stated_numbers
from armsim.report.parameter_labels import parameter_label
from armsim.scenario import Scenario
from armsim.sources import Source

MOST_FILES = 200
PARTS = {
    "encoder": "sensor", "motor_encoder": "sensor", "bus": "sensor", "curve": "sensor", "mastering": "sensor",
    "mounting": "mounting", "transmission": "gear",
}  # fmt: skip
"""Part of a joint by the first key of a number."""
MOTION = "motion"
"""Part of all other numbers: error motions of the axis, bending, heat, approach."""
PART_NAMES = ("sensor", "mounting", "gear", MOTION)


@dataclass(frozen=True)
class Field:
    """An editable number: its path in the scenario, the part of the joint it belongs to, label, text and meaning.

    ``value`` and ``unit`` are the number for a slider; the unit is empty for a bare number.
    """

    path: str
    part: str
    label: str
    text: str
    meaning: str
    value: float
    unit: str


@dataclass(frozen=True)
class Row:
    """A joint, its present encoder, placement and mounting, and the alternatives."""

    joint: str
    group: str
    encoder: str
    placement: str
    mounting: str
    ratio: float
    price: float
    encoders: tuple[str, ...]
    placements: tuple[str, ...]
    mountings: tuple[str, ...]
    fields: tuple[Field, ...]


@dataclass(frozen=True, eq=False)
class Choices:
    """Encoders, mountings and placements that can be chosen, and the encoders that fit each joint.

    Parameters
    ----------
    encoders : mapping of name to the reference by which a scenario names the encoder
    by_joint : mapping of joint to names of encoders
    mountings, placements : names
        Names in the catalogue.
    """

    encoders: Mapping[str, str]
    by_joint: Mapping[str, tuple[str, ...]]
    mountings: tuple[str, ...]
    placements: tuple[str, ...]

    @staticmethod
    def of(session: Session) -> Choices:
        """Choices of the session's catalogue; without one, encoder files in the folders that the scenario uses."""
        scenario = session.study.scenario
        folder = scenario.folder
        catalogue, options = session.inputs.catalogue, session.inputs.options
        sources = {os.path.realpath(source.path): source for source in session.inputs.sources}
        if catalogue is None or options is None:
            encoder_files = _encoder_files(scenario, folder)
            rotary = {joint.name: joint.encoder.rotary for joint in scenario.machine.joints}
            by_joint = {
                name: tuple(file for file, (_, turns) in encoder_files.items() if turns == kind)
                for name, kind in rotary.items()
            }
            return Choices({name: path for name, (path, _) in encoder_files.items()}, by_joint, (), ("motor", "output"))
        data = sources[os.path.realpath(catalogue)].data
        encoders = {
            (name := encoder_name(entry["encoder"], catalogue, sources)): reference(entry, name, catalogue, folder)
            for entry in data["encoders"]
        }
        by_joint = {
            options[0].joint.name: tuple(dict.fromkeys(option.encoder for option in options))
            for options in options.joints
            if options
        }
        ways = tuple(str(entry["name"]) for entry in data.get("mountings", ()))
        return Choices(encoders, by_joint, ways, tuple(data.get("placements", ("motor", "output"))))


def _encoder_files(scenario: Scenario, base: Path) -> dict[str, tuple[str, bool]]:
    """Encoder files next to the scenario's encoders, by name: path relative to ``base``, and whether rotary."""
    folders = {source.path.absolute().parent for source in scenario.sources if source.data.get("kind") == "encoder"}
    out: dict[str, tuple[str, bool]] = {}
    for folder in sorted(folders):
        for file in sorted(folder.glob("*.yaml"))[:MOST_FILES]:
            try:
                source = read_source(file)
            except (InputError, Unreadable):
                continue
            if source.data.get("kind") == "encoder" and isinstance(source.data.get("name"), str):
                turns = source.data.get("measures") != "translation"
                out.setdefault(" ".join(source.data["name"].split()), (os.path.relpath(file, base), turns))
    return out


def rows(session: Session, choices: Choices) -> tuple[Row, ...]:
    """Rows of all joints of the current design."""
    scenario = session.current.scenario
    machine, all_numbers = scenario.machine, stated_numbers(scenario.machine)
    out = []
    for joint in machine.joints:
        numbers_of_joint = [
            number for number in all_numbers if number.joint == joint.name and number.path.startswith("joints.")
        ]
        single = tuple(placement for placement in choices.placements if placement != "both")
        placements = single if joint.placement != "both" else ("both", *single)
        compatible = choices.by_joint.get(joint.name, ())
        encoder_names = compatible if joint.encoder.name in compatible else (joint.encoder.name, *compatible)
        mounting = mounting_name(session, scenario, joint.name)
        out.append(
            Row(
                joint.name, machine.arm.group_of(joint.name), joint.encoder.name, joint.placement, mounting,
                joint.transmission.ratio, joint.price, encoder_names, placements,
                tuple(dict.fromkeys((mounting, *choices.mountings))) if choices.mountings else (),
                tuple(_field(number, joint.name, scenario) for number in numbers_of_joint),
            )
        )  # fmt: skip
    return tuple(out)


def _field(number: StatedNumber, joint: str, scenario: Scenario) -> Field:
    unit = display_unit_of(number.key.kind, number.rotary, number.value)
    label = _label(number.path, joint)
    part = PARTS.get(number.path.removeprefix(f"joints.{joint}.").partition(".")[0], MOTION)
    path, raw = yaml_value(number.path, scenario)
    text = str(raw) if isinstance(raw, str | int | float) else f"{number.value / unit.si_value:.6g} {unit.name}".strip()
    return Field(path, part, label, text, number.key.meaning, number.value / unit.si_value, unit.name)


def _label(path: str, joint: str) -> str:
    """Label of a number within its part of a joint, in words."""
    words = parameter_label(path, [joint])
    quantity = words.removeprefix(f"{joint}: ").removeprefix(f"{joint}, ")
    return quantity.partition(": ")[2] or quantity


def yaml_value(path: str, scenario: Scenario) -> tuple[str, Any]:
    """Path and raw YAML value of a number; for a tolerance that is a mapping, those of its ``limit`` or ``std``."""
    source = scenario.sources[0]
    node: Any = source.data
    sources = {os.path.realpath(file.path): file for file in scenario.sources}
    keys = path.split(".")
    for number, key in enumerate(keys):
        if isinstance(node, list) and key.isdigit() and int(key) < len(node):
            node = node[int(key)]
        elif isinstance(node, dict) and key in node:
            node = node[key]
        else:
            return path, None
        if key in ("encoder", "motor_encoder") and isinstance(node, str):
            encoder_source: Source | None = sources.get(os.path.realpath(source.resolve_path(keys[: number + 1], node)))
            node = encoder_source.data if encoder_source is not None else {}
    for size in ("limit", "std"):
        if isinstance(node, dict) and size in node:
            return f"{path}.{size}", node[size]
    return path, None if isinstance(node, dict | list) else node


def mounting_name(session: Session, scenario: Scenario, joint: str) -> str:
    """Name of the mounting that a joint of a scenario has: a class of the catalogue, or what it states."""
    data, joints = _catalogue_data(session), scenario.sources[0].data.get("joints", {})
    stated_mounting = joints[joint].get("mounting") if isinstance(joints.get(joint), dict) else None
    for entry in data.get("mountings", ()) if data is not None else ():
        if entry.get("mounting") == stated_mounting:
            return str(entry["name"])
    if not isinstance(stated_mounting, dict) or not stated_mounting:
        return AS_IT_IS
    values = ", ".join(
        f"{key.replace('_', ' ')} {value}" for key, value in stated_mounting.items() if not isinstance(value, dict)
    )
    return f"{AS_IT_IS}: {values}" if values else AS_IT_IS


def _joint(session: Session, name: str) -> Joint:
    return next(joint for joint in session.current.scenario.machine.joints if joint.name == name)


def encoder_change(choices: Choices, joint: str, name: str) -> dict[str, Any]:
    """Changes of the scenario that fit a joint with an encoder."""
    return {f"joints.{joint}.encoder": choices.encoders[name]}


def placement_change(session: Session, joint: str, placement: str) -> dict[str, Any]:
    """Changes that place the sensor of a joint on the motor or the output, with the price by the catalogue."""
    joint_model = _joint(session, joint)
    out: dict[str, Any] = {f"joints.{joint}.placement": placement}
    if joint_model.motor_encoder is not None and placement != "both":
        out[f"joints.{joint}.motor_encoder"] = None
    data = _catalogue_data(session)
    if data is not None and placement in data.get("placements", ()):
        out[f"joints.{joint}.price"] = price_of(joint_model.fitting.mounting, data["placements"][placement])
    return out


def mounting_change(session: Session, joint: str, way: str) -> dict[str, Any]:
    """Changes that give the sensor of a joint a mounting class of the catalogue, with its price."""
    joint_model = _joint(session, joint)
    data = _catalogue_data(session)
    if data is None:
        return {}
    entry = next(entry for entry in data["mountings"] if entry["name"] == way)
    prices = price_of(entry.get("price", 0), joint_model.fitting.placement)
    return {f"joints.{joint}.mounting": entry.get("mounting"), f"joints.{joint}.price": prices}


def price_of(mounting: float, placement: float) -> dict[str, float] | None:
    """Price of fitting a sensor, as a scenario states it; None if it is nothing."""
    return {key: cost for key, cost in (("mounting", mounting), ("placement", placement)) if cost} or None


def _catalogue_data(session: Session) -> dict[str, Any] | None:
    inputs = session.inputs
    if inputs.catalogue is None:
        return None
    path = os.path.realpath(inputs.catalogue)
    return next((source.data for source in inputs.sources if os.path.realpath(source.path) == path), None)


def chosen_changes(session: Session, machine: Machine, choice: tuple[FittedEncoder, ...]) -> dict[str, Any]:
    """Changes that fit every joint of a machine as the search chose."""
    inputs = session.inputs
    assert inputs.catalogue is not None  # a search has one
    fitted = joint_changes(machine, inputs.sources, inputs.catalogue, choice, session.study.scenario.folder)
    return {f"joints.{joint}.{key}": value for joint, keys in fitted.items() for key, value in keys.items()}
