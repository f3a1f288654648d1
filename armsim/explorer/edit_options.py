"""What can be changed of a design: what every joint is fitted with, and every number that it states."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from armsim.decide.decision_records import Fitted
from armsim.decide.display_units import told_in
from armsim.documents.catalogue_document import encoder_name
from armsim.documents.files import Unreadable
from armsim.documents.source import read_source
from armsim.documents.write_overrides import joint_changes, reference
from armsim.errors import InputError
from armsim.explorer.session import Desk
from armsim.model.parameters import Number, numbers
from armsim.scenario import Scenario
from armsim.sources import Source

MOST_FILES = 200
AS_IT_IS = "as it is"


@dataclass(frozen=True)
class Field:
    """A number that can be typed: the path at which it is written, its name, its text as it stands, its meaning.

    ``size`` and ``unit``: the number for a slider; no unit where it has none.
    """

    path: str
    label: str
    text: str
    meaning: str
    size: float
    unit: str


@dataclass(frozen=True)
class Row:
    """A joint with what it is fitted with, and what it may be fitted with."""

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
class Offered:
    """What can be chosen: encoders by name, with how a scenario names each; ways of assembling and placements of a
    catalogue, with what joints take of them."""

    encoders: Mapping[str, str]
    by_joint: Mapping[str, tuple[str, ...]]
    mountings: tuple[str, ...]
    placements: tuple[str, ...]

    @staticmethod
    def of(desk: Desk) -> Offered:
        """Of the catalogue of a desk; without one, the encoder files beside those that the scenario names."""
        scenario = desk.study.scenario
        here = scenario.folder
        read = {os.path.realpath(own.path): own for own in scenario.sources}
        if desk.catalogue is None or desk.options is None:
            found = _beside(scenario, here)
            rotary = {joint.name: joint.encoder.rotary for joint in scenario.machine.joints}
            by_joint = {
                name: tuple(own for own, (_, turns) in found.items() if turns == kind) for name, kind in rotary.items()
            }
            return Offered({name: path for name, (path, _) in found.items()}, by_joint, (), ("motor", "output"))
        data = read[os.path.realpath(desk.catalogue)].data
        named = {
            encoder_name(entry["encoder"], desk.catalogue, read): reference(
                entry["encoder"], encoder_name(entry["encoder"], desk.catalogue, read), desk.catalogue, here
            )
            for entry in data["encoders"]
        }
        taken = {
            own[0].joint.name: tuple(dict.fromkeys(option.encoder for option in own))
            for own in desk.options.joints
            if own
        }
        ways = tuple(str(entry["name"]) for entry in data["mountings"])
        return Offered(named, taken, ways, tuple(data["placements"]))


def _beside(scenario: Scenario, here: Path) -> dict[str, tuple[str, bool]]:
    """Encoder files in the folders from which the scenario takes its own, by name: path, and whether they turn."""
    folders = {own.path.absolute().parent for own in scenario.sources if own.data.get("kind") == "encoder"}
    out: dict[str, tuple[str, bool]] = {}
    for folder in sorted(folders):
        for file in sorted(folder.glob("*.yaml"))[:MOST_FILES]:
            try:
                source = read_source(file)
            except (InputError, Unreadable):
                continue
            if source.data.get("kind") == "encoder" and isinstance(source.data.get("name"), str):
                turns = source.data.get("measures") != "translation"
                out.setdefault(" ".join(source.data["name"].split()), (os.path.relpath(file, here), turns))
    return out


def rows(desk: Desk, offered: Offered) -> tuple[Row, ...]:
    """Every joint of the design that stands."""
    scenario = desk.current.scenario
    machine, every = scenario.machine, numbers(scenario.machine)
    out = []
    for joint in machine.joints:
        mine = [own for own in every if own.joint == joint.name and own.path.startswith("joints.")]
        single = tuple(place for place in offered.placements if place != "both")
        places = single if joint.placement != "both" else ("both", *single)
        encoders = offered.by_joint.get(joint.name, ())
        known = encoders if joint.encoder.name in encoders else (joint.encoder.name, *encoders)
        out.append(
            Row(
                joint.name, machine.arm.group_of(joint.name), joint.encoder.name, joint.placement, AS_IT_IS,
                joint.transmission.ratio, joint.price, known, places,
                (AS_IT_IS, *offered.mountings) if offered.mountings else (),
                tuple(_field(own, joint.name, scenario) for own in mine),
            )
        )  # fmt: skip
    return tuple(out)


def _field(number: Number, joint: str, scenario: Scenario) -> Field:
    unit = told_in(number.key.kind, number.rotary, number.value)
    label = number.path.removeprefix(f"joints.{joint}.")
    path, raw = stated(number.path, scenario)
    text = str(raw) if isinstance(raw, str | int | float) else f"{number.value / unit.si:.6g} {unit.name}".strip()
    return Field(path, label, text, number.key.meaning, number.value / unit.si, unit.name)


def stated(path: str, scenario: Scenario) -> tuple[str, Any]:
    """The path at which a number is written, inside a tolerance that is a mapping, and how it is written there."""
    source = scenario.sources[0]
    here: Any = source.data
    read = {os.path.realpath(own.path): own for own in scenario.sources}
    keys = path.split(".")
    for number, key in enumerate(keys):
        if isinstance(here, list) and key.isdigit() and int(key) < len(here):
            here = here[int(key)]
        elif isinstance(here, dict) and key in here:
            here = here[key]
        else:
            return path, None
        if key in ("encoder", "motor_encoder") and isinstance(here, str):
            own: Source | None = read.get(os.path.realpath(source.beside(keys[: number + 1], here)))
            here = own.data if own is not None else {}
    for size in ("limit", "std"):
        if isinstance(here, dict) and size in here:
            return f"{path}.{size}", here[size]
    return path, None if isinstance(here, dict | list) else here


def encoder_change(offered: Offered, joint: str, name: str) -> dict[str, Any]:
    """The change that fits a joint with an encoder."""
    return {f"joints.{joint}.encoder": offered.encoders[name]}


def placement_change(desk: Desk, joint: str, placement: str) -> dict[str, Any]:
    """The change that puts the sensor of a joint somewhere, with what that costs by the catalogue."""
    own = next(own for own in desk.current.scenario.machine.joints if own.name == joint)
    out: dict[str, Any] = {f"joints.{joint}.placement": placement}
    if own.motor_encoder is not None and placement != "both":
        out[f"joints.{joint}.motor_encoder"] = None
    data = _catalogue_data(desk)
    if data is not None and placement in data["placements"]:
        out[f"joints.{joint}.price"] = _prices(own.fitting.mounting, data["placements"][placement])
    return out


def mounting_change(desk: Desk, joint: str, way: str) -> dict[str, Any]:
    """The change that assembles a joint one of the ways of the catalogue."""
    own = next(own for own in desk.current.scenario.machine.joints if own.name == joint)
    data = _catalogue_data(desk)
    if data is None:
        return {}
    entry = next(entry for entry in data["mountings"] if entry["name"] == way)
    prices = _prices(entry.get("price", 0), own.fitting.placement)
    return {f"joints.{joint}.mounting": entry.get("mounting"), f"joints.{joint}.price": prices}


def _prices(mounting: float, placement: float) -> dict[str, float] | None:
    return {key: cost for key, cost in (("mounting", mounting), ("placement", placement)) if cost} or None


def _catalogue_data(desk: Desk) -> dict[str, Any] | None:
    if desk.catalogue is None:
        return None
    path = os.path.realpath(desk.catalogue)
    return next((own.data for own in desk.study.scenario.sources if os.path.realpath(own.path) == path), None)


def chosen_changes(desk: Desk, choice: tuple[Fitted, ...]) -> dict[str, Any]:
    """The changes that fit every joint as a search has chosen."""
    scenario = desk.study.scenario
    assert desk.catalogue is not None  # a search has one
    here = scenario.folder
    fitted = joint_changes(desk.current.scenario.machine, scenario.sources, desk.catalogue, choice, here)
    return {f"joints.{joint}.{key}": value for joint, keys in fitted.items() for key, value in keys.items()}
