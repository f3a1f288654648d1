"""Command `armsim new`."""

from __future__ import annotations

import json
import os
import shlex
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import suppress
from enum import StrEnum
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Annotated

import typer

from armsim.cli.options import write_all_new
from armsim.cli.printing import output_errors, print_line
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
    convention: Annotated[Convention, typer.Option(help="Convention of the rows.")] = Convention.standard,
    arm: Annotated[
        str | None,
        typer.Option(metavar="NAME|FILE.urdf", help="Start from a model of roboticstoolbox, or from a URDF file."),
    ] = None,
    demo: Annotated[
        bool,
        typer.Option("--demo", help="The files of the manual's examples: demo, lessons, a measured session."),
    ] = False,
) -> None:
    """Write a starter scenario, or the demo.

    The starter is commented and runs; the demo is all files of the examples of the manual.
    """
    kinds = [name for name, value in (("--rows", rows), ("--arm", arm), ("--demo", demo)) if value]
    if len(kinds) > 1:
        raise InputError(Problem("command line", 0, 0, kinds[1], f"together with {kinds[0]}", "one of the two"))
    texts, next_command = _demo(folder) if demo else _starter(folder, rows, convention, arm)
    created_folders = _create_folder(folder)
    paths = {folder / name: text for name, text in sorted(texts.items())}
    folders = sorted({parent for name in texts for parent in Path(name).parents} - {Path(".")})
    try:
        for name in folders:
            (folder / name).mkdir(exist_ok=True)
        write_all_new(paths)
    except (RunError, OSError):
        _remove_folders([folder / name for name in reversed(folders)])
        _remove_folders(created_folders)
        raise
    with output_errors(folder):
        print_line(next_command)


def _demo(folder: Path) -> tuple[dict[str, str], str]:
    """Files of the demo and of all other examples of the manual, by their place, and the command to type next."""
    texts = dict(_texts(files("armsim.cli").joinpath("demo"), ""))
    return texts, f"cd {shlex.quote(str(folder))} && armsim run scenarios/bonding-cell.yaml --out results/bonding-cell"


def _texts(folder: Traversable, path: str) -> Iterator[tuple[str, str]]:
    """Paths and texts of all files in a folder of the package and below it, without pictures."""
    for entry in folder.iterdir():
        if entry.is_dir():
            yield from _texts(entry, f"{path}{entry.name}/")
        elif not entry.name.endswith(".png"):
            yield f"{path}{entry.name}", entry.read_text(encoding="utf-8")


def _starter(folder: Path, rows: Path | None, convention: Convention, arm: str | None) -> tuple[dict[str, str], str]:
    """Files of a starter, with the schemas by which an editor checks them, and the command to type next."""
    if rows is None:
        starters = dict(_texts(files("armsim.cli").joinpath("starter"), ""))
        if arm is not None:
            from armsim.documents.arm_starter import arm_starter_files

            starters = arm_starter_files(arm, starters["encoder.yaml"])
        next_command = (
            f"armsim run {shlex.quote(str(folder / 'scenario.yaml'))} --out {shlex.quote(str(folder / 'result'))}"
        )
    else:
        from armsim.documents.rows_file import read_rows
        from armsim.documents.rows_starter import rows_starter_files

        starters = rows_starter_files(read_rows(rows, convention.value))
        scenario, identified = (shlex.quote(str(folder / name)) for name in ("scenario.yaml", "identified.yaml"))
        next_command = f"armsim calibrate {scenario} --measured YOUR.csv --write {identified}"
    from armsim.documents.kinds import DOCUMENT_TYPES
    from armsim.documents.schema import printed_schema

    schemas = {f"schemas/{kind}.json": json.dumps(printed_schema(kind), indent=1) + "\n" for kind in DOCUMENT_TYPES}
    return starters | schemas, next_command


def _create_folder(folder: Path) -> list[Path]:
    """Create a folder; return the folders that were absent before, innermost first.

    Raises
    ------
    InputError
        The folder is not empty, or cannot be created or written to; nothing is left behind.
    """

    def fault(actual: str, accepted: str) -> InputError:
        return InputError(Problem(str(folder), 0, 0, "DIR", actual, accepted))

    created_folders: list[Path] = []
    try:
        if folder.is_symlink() and not folder.exists():
            raise fault("is a dangling link", "a new or empty folder")
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise fault("already exists and is not empty", "a new or empty folder")
        created_folders = [path for path in (folder, *folder.parents) if not path.exists()]
        folder.mkdir(parents=True, exist_ok=True)
        os.rmdir(tempfile.mkdtemp(dir=folder))
    except OSError as error:
        _remove_folders(created_folders)
        raise fault(
            f"cannot be created: {error.strerror or error}", "a location where a folder can be created"
        ) from error
    return created_folders


def _remove_folders(folders: Sequence[Path]) -> None:
    for folder in folders:
        with suppress(OSError):  # never made
            folder.rmdir()
