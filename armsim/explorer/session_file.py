"""File that opens the same view of the page later: scenario, catalogue, changes, pinned designs, notes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from armsim.documents.references import relative_name
from armsim.documents.source import read_source
from armsim.explorer.design import Design
from armsim.sources import Source

KIND = "session"
KEYS = ("kind", "scenario", "catalogue", "changes", "note", "pinned")
PIN_KEYS = ("name", "changes", "note")


@dataclass(frozen=True)
class SavedDesign:
    """A design as a file states it: name, changes, the note on it."""

    name: str
    design: Design
    note: str = ""


@dataclass(frozen=True)
class SessionFile:
    """Content of a session file.

    Parameters
    ----------
    scenario : Path
    catalogue : Path, optional
    current : SavedDesign
        Design that was shown.
    pinned : tuple of SavedDesign
    """

    scenario: Path
    catalogue: Path | None = None
    current: SavedDesign = field(default_factory=lambda: SavedDesign("", Design()))
    pinned: tuple[SavedDesign, ...] = ()

    def text(self, folder: Path) -> str:
        """YAML text of a file to be saved in a folder; the files it names are relative to it."""
        content: dict[str, Any] = {"kind": KIND, "scenario": relative_name(self.scenario.absolute(), folder)}
        if self.catalogue is not None:
            content["catalogue"] = relative_name(self.catalogue.absolute(), folder)
        content |= _design_keys(self.current)
        if self.pinned:
            content["pinned"] = [{"name": pin.name, **_design_keys(pin)} for pin in self.pinned]
        text: str = yaml.safe_dump(content, sort_keys=False, allow_unicode=True)
        return text


def _design_keys(saved: SavedDesign) -> dict[str, Any]:
    note = {"note": saved.note} if saved.note else {}
    return {"changes": dict(saved.design.changes), **note}


def read_session_file(path: Path) -> SessionFile:
    """Read a session file; whether its changes go with the scenario shows when they are applied.

    Raises
    ------
    InputError
        It is no session file, or a key is unknown or of a wrong kind.
    """
    source = read_source(path)
    data = source.data
    if data.get("kind") != KIND:
        raise source.error(("kind",), repr(data.get("kind")), f"{KIND}, as the page saves it")
    _check_keys(source, (), data, KEYS)
    if not isinstance(data.get("scenario"), str):
        raise source.error(("scenario",), "no file name", "the name of a scenario file")
    catalogue = data.get("catalogue")
    if catalogue is not None and not isinstance(catalogue, str):
        raise source.error(("catalogue",), "no file name", "the name of a catalogue")
    pins = data.get("pinned", [])
    if not isinstance(pins, list) or not all(isinstance(pin, dict) for pin in pins):
        raise source.error(("pinned",), "not a list of designs", "[{name: ..., changes: {...}}, ...]")
    for number, pin in enumerate(pins):
        _check_keys(source, ("pinned", number), pin, PIN_KEYS)
    folder = path.absolute().parent
    return SessionFile(
        folder / data["scenario"],
        None if catalogue is None else folder / catalogue,
        _design(source, (), data),
        tuple(_design(source, ("pinned", number), pin) for number, pin in enumerate(pins)),
    )


def _check_keys(source: Source, at: tuple[str | int, ...], data: Mapping[str, Any], keys: tuple[str, ...]) -> None:
    unknown = next((key for key in data if key not in keys), None)
    if unknown is not None:
        raise source.error((*at, unknown), "unknown key", f"known keys: {', '.join(keys)}")


def _design(source: Source, at: tuple[str | int, ...], data: Mapping[str, Any]) -> SavedDesign:
    changes, note, name = data.get("changes", {}), data.get("note", ""), data.get("name", "")
    if not isinstance(changes, dict) or not all(isinstance(key, str) for key in changes):
        raise source.error((*at, "changes"), "not a mapping of paths", "{joints.j1.placement: output, ...}")
    for key, value in (("note", note), ("name", name)):
        if not isinstance(value, str):
            raise source.error((*at, key), f"{value!r}", "a text")
    return SavedDesign(name, Design(changes), note)
