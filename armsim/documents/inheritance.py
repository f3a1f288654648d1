"""Scenarios stated as changes of another scenario, their base."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from armsim.documents.fields import Document, FilePath, Word
from armsim.documents.messages import validate
from armsim.documents.source import read_named_file
from armsim.scenario import Scenario
from armsim.sources import Source

MOST_BASES = 16
"""Maximum length of a chain of bases."""
DerivedFiles = tuple[str, ...]
"""Files of the scenarios that are based on the one that is loaded, the outermost first."""


class ChangesDocument(Document):
    """A scenario as a change of another.

    ``changes`` by path, as `documents.overrides`: ``joints.j2.mounting.eccentricity: 10 um``. File names are
    relative to the file that contains them.
    """

    kind: Literal["scenario"]
    name: Word | None = None
    base: FilePath
    changes: dict[str, Any] = Field(default_factory=dict)


def resolve_base(
    source: Source,
    derived: DerivedFiles,
    load: Callable[[Path, bytes, DerivedFiles], Scenario],
    change: Callable[[Scenario, Mapping[str, Any], Source], Scenario],
) -> Scenario:
    """Load the base of a scenario and apply the changes.

    Parameters
    ----------
    source : Source
        The scenario that names a base.
    derived : tuple of str
        Files of the scenarios that are based on it.
    load, change : callable
        Load a scenario from a file; apply changes to a scenario.

    Raises
    ------
    InputError
        A fault in the base, a path that does not exist, or bases in a cycle.
    """
    document: ChangesDocument = validate(ChangesDocument, source.data, source, ())
    file = source.resolve_path(("base",), document.base)
    chain_files = (*derived, os.path.realpath(source.path))
    circular = os.path.realpath(file) in chain_files
    if circular or len(chain_files) > MOST_BASES:
        chain = " -> ".join(Path(name).name for name in (*chain_files, str(file)))
        finding = f"bases in a circle: {chain}" if circular else f"a chain of more than {MOST_BASES} bases: {chain}"
        accepted = "a scenario that is not based on this one" if circular else f"at most {MOST_BASES} bases in a chain"
        raise source.error(("base",), finding, accepted)
    base_scenario = load(file, read_named_file(file, source, ("base",)), chain_files)
    scenario = change(base_scenario, document.changes, source)
    sources = (*scenario.sources, *(() if source.path in {s.path for s in scenario.sources} else (source,)))
    return replace(scenario, name=document.name or scenario.name, sources=sources, file=source.path)
