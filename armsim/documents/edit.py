"""A scenario changed as text: what a search has chosen goes into the user's own document, comments and units kept."""

from __future__ import annotations

import io
import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Protocol

from armsim.sources import Source


class Choice(Protocol):
    """What a joint is fitted with, by the names of a catalogue."""

    @property
    def joint(self) -> str: ...
    @property
    def encoder(self) -> str: ...
    @property
    def mounting(self) -> str: ...
    @property
    def placement(self) -> str: ...


def fitted(sources: Sequence[Source], catalogue: Path, choices: Iterable[Choice], name: str, to: Path) -> str:
    """The text of a scenario whose joints refer to what was chosen from a catalogue.

    Parameters
    ----------
    sources : sequence of Source
        Files as they were read, the scenario first, the catalogue and what both name among them.
    catalogue : Path
        Which of them is the catalogue.
    choices : iterable of Choice
    name : str
        Of the new scenario.
    to : Path
        Folder of the new file, from which its references count.
    """
    from ruamel.yaml import YAML

    read = {os.path.realpath(source.path): source for source in sources}
    offered, beside = read[os.path.realpath(catalogue)].data, catalogue.absolute().parent
    editor = YAML()
    editor.width = 4096  # lines stay as they were
    editor.preserve_quotes = True
    editor.indent(mapping=2, sequence=4, offset=2)
    document = editor.load(sources[0].text)
    document["name"] = name
    _relocate(document, sources[0].path.absolute().parent, to)
    encoders = {_named(entry["encoder"], beside, read): entry["encoder"] for entry in offered["encoders"]}
    mountings = {entry["name"]: entry for entry in offered["mountings"]}
    joints = document["joints"]
    for choice in choices:
        joint = joints[choice.joint]
        if getattr(joint, "merge", None) or sum(own is joint for own in joints.values()) > 1:
            joint = joints[choice.joint] = dict(joint.items())  # not what it shares with others
        encoder, mounting = encoders[choice.encoder], mountings[choice.mounting]
        joint["encoder"] = _from(encoder, beside, to) if isinstance(encoder, str) else encoder
        joint["placement"] = choice.placement
        joint.pop("motor_encoder", None)
        fitting = {"mounting": mounting.get("price", 0), "placement": offered["placements"][choice.placement]}
        parts = {"mounting": mounting.get("mounting"), "price": {key: cost for key, cost in fitting.items() if cost}}
        for key, part in parts.items():
            joint.pop(key, None)
            if part:
                joint[key] = part
    out = io.StringIO()
    editor.dump(document, out)
    return out.getvalue()


def _named(encoder: Any, beside: Path, read: dict[str, Source]) -> str:
    """Name of an encoder that a catalogue holds or refers to."""
    document = encoder if isinstance(encoder, dict) else read[os.path.realpath(beside / encoder)].data
    return " ".join(str(document["name"]).split())


def _from(reference: str, beside: Path, to: Path) -> str:
    return os.path.relpath(beside / reference, to)


def _relocate(document: Any, beside: Path, to: Path) -> None:
    """Make the references of a scenario count from another folder."""
    arm = document["arm"]
    if isinstance(arm, str):
        document["arm"] = _from(arm, beside, to)
    elif "file" in arm["kinematics"]:
        arm["kinematics"]["file"] = _from(arm["kinematics"]["file"], beside, to)
    for task in document["tasks"]:
        if "file" in task:
            task["file"] = _from(task["file"], beside, to)
