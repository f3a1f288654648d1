"""armsim new"""

from __future__ import annotations

import json
import shlex
from contextlib import suppress
from importlib.resources import files
from pathlib import Path
from typing import Annotated

import typer

from armsim.cli.options import write_new
from armsim.cli.printing import printing, tell
from armsim.errors import InputError, Problem, RunError


def new(folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make.")]) -> None:
    """Write a commented starter scenario that runs."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(Problem(str(folder), 0, 0, "DIR", "is there already and not empty", "a new or empty folder"))
    made = not folder.exists()
    folder.mkdir(parents=True, exist_ok=True)
    from armsim.documents.load import KINDS
    from armsim.documents.schema import printed_schema

    done: list[Path] = []
    schemas = folder / "schemas"
    try:
        for starter in sorted(files("armsim.cli").joinpath("starter").iterdir(), key=lambda entry: entry.name):
            write_new(folder / starter.name, starter.read_text(encoding="utf-8"))
            done.append(folder / starter.name)
        schemas.mkdir(exist_ok=True)
        for kind in KINDS:  # what an editor checks the documents by while they are typed
            write_new(schemas / f"{kind}.json", json.dumps(printed_schema(kind), indent=1) + "\n")
            done.append(schemas / f"{kind}.json")
    except (RunError, OSError):
        for file in done:
            file.unlink(missing_ok=True)
        with suppress(OSError):
            schemas.rmdir()
            if made:
                folder.rmdir()
        raise
    with printing(folder):
        tell(f"armsim run {shlex.quote(str(folder / 'scenario.yaml'))} --out {shlex.quote(str(folder / 'result'))}")
