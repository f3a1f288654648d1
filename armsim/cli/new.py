"""armsim new"""

from __future__ import annotations

import json
import os
import shlex
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from enum import StrEnum
from importlib.resources import files
from pathlib import Path
from typing import Annotated

import typer

from armsim.cli.options import write_new
from armsim.cli.printing import print_line, printing
from armsim.errors import InputError, Problem, RunError


class Convention(StrEnum):
    """Conventions of rows."""

    standard = "standard-dh"
    modified = "modified-dh"


def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to create.")],
    rows: Annotated[
        Path | None,
        typer.Option(
            help="CSV of Denavit-Hartenberg rows, base first: a starter for the calibration of that arm. Columns: "
            "d [mm], a [mm], alpha [deg]; joint, type (revolute, prismatic), offset [deg], lower [deg], upper [deg]; "
            "of a slide also from [mm], to [mm]. What does not apply to a joint stays empty."
        ),
    ] = None,
    convention: Annotated[Convention, typer.Option(help="Of the rows.")] = Convention.standard,
    arm: Annotated[
        str | None,
        typer.Option(metavar="NAME|FILE.urdf", help="Start from a model of roboticstoolbox, or from a URDF file."),
    ] = None,
) -> None:
    """Write a commented starter scenario that runs."""
    if rows is not None and arm is not None:
        raise InputError(Problem("command line", 0, 0, "--arm", "beside --rows", "one of the two"))
    if rows is None:
        starters = {
            entry.name: entry.read_text(encoding="utf-8") for entry in files("armsim.cli").joinpath("starter").iterdir()
        }
        if arm is not None:
            from armsim.documents.arm_starter import starter_of_arm

            starters = starter_of_arm(arm, starters["encoder.yaml"])
        following = (
            f"armsim run {shlex.quote(str(folder / 'scenario.yaml'))} --out {shlex.quote(str(folder / 'result'))}"
        )
    else:
        from armsim.documents.rows_file import read_rows
        from armsim.documents.rows_starter import starter_of_rows

        starters = starter_of_rows(read_rows(rows, convention.value))
        scenario, identified = (shlex.quote(str(folder / name)) for name in ("scenario.yaml", "identified.yaml"))
        following = f"armsim calibrate {scenario} --measured YOUR.csv --write {identified}"
    absent = _make(folder)
    from armsim.documents.kinds import KINDS
    from armsim.documents.schema import printed_schema

    files_written: list[Path] = []
    schemas = folder / "schemas"
    try:
        for name, text in sorted(starters.items()):
            write_new(folder / name, text)
            files_written.append(folder / name)
        schemas.mkdir(exist_ok=True)
        for kind in KINDS:  # for checks in an editor while typing
            write_new(schemas / f"{kind}.json", json.dumps(printed_schema(kind), indent=1) + "\n")
            files_written.append(schemas / f"{kind}.json")
    except (RunError, OSError):
        for file in files_written:
            file.unlink(missing_ok=True)
        with suppress(OSError):
            schemas.rmdir()
        _remove(absent)
        raise
    with printing(folder):
        print_line(following)


def _make(folder: Path) -> list[Path]:
    """Create a folder; return the folders that were absent before, innermost first.

    Raises
    ------
    InputError
        The folder is not empty, or cannot be created or written to; nothing is left behind.
    """

    def fault(actual: str, accepted: str) -> InputError:
        return InputError(Problem(str(folder), 0, 0, "DIR", actual, accepted))

    absent: list[Path] = []
    try:
        if folder.is_symlink() and not folder.exists():
            raise fault("is a dangling link", "a new or empty folder")
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise fault("already exists and is not empty", "a new or empty folder")
        absent = [path for path in (folder, *folder.parents) if not path.exists()]
        folder.mkdir(parents=True, exist_ok=True)
        os.rmdir(tempfile.mkdtemp(dir=folder))
    except OSError as error:
        _remove(absent)
        raise fault(
            f"cannot be created: {error.strerror or error}", "a location where a folder can be created"
        ) from error
    return absent


def _remove(folders: Sequence[Path]) -> None:
    for folder in folders:
        with suppress(OSError):  # never made
            folder.rmdir()
