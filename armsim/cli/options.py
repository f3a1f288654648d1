"""Options that commands share, and their parsing."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from enum import StrEnum
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated, Any

import typer

Seed = Annotated[int | None, typer.Option(min=0, max=2**63, help="Seed of the random numbers.")]
Units = Annotated[int | None, typer.Option(min=1, max=10_000_000, help="Number of built arms.")]
Visits = Annotated[int | None, typer.Option(min=1, max=1_000_000, help="Visits of every arm to every pose.")]
Workers = Annotated[int | None, typer.Option(min=1, help="Number of threads; all processors by default.")]
Memory = Annotated[str, typer.Option(help="Memory limit, such as 500MiB or 2GiB.")]


class Device(StrEnum):
    """Devices that sample."""

    cpu = "cpu"
    cuda = "cuda"
    auto = "auto"


DeviceName = Annotated[
    Device, typer.Option("--device", help="Where to sample; auto takes a CUDA device for a large run, if there is one.")
]
Yes = Annotated[bool, typer.Option("--yes", help="Run even if the estimate exceeds one day.")]
DEFAULT_MEMORY = "1GiB"
Calibrated = Annotated[
    bool, typer.Option("--calibrated", help=("Evaluate every design after the calibration that the scenario states."))
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON instead of tables.")]
Exclude = Annotated[str | None, typer.Option(help="Lines of the measured file to exclude, such as 58,102.")]
Out = Annotated[Path | None, typer.Option(help="Folder for report, tables and figures; without it none are written.")]


Set = Annotated[
    list[str] | None,
    typer.Option(
        "--set", help="Change a value: PATH=VALUE, such as joints.j2.mounting.eccentricity=20um. May be repeated."
    ),
]


def parse_changes(texts: Sequence[str] | None) -> dict[str, Any]:
    """Parse changes such as ``sampling.units=500`` by path; a value is read as in a YAML file.

    Raises
    ------
    InputError
        A text has another form, or its value is invalid in a file.
    """
    out: dict[str, Any] = {}
    for text in texts or ():
        from armsim.documents.grammar import read_value
        from armsim.errors import InputError, Problem

        path, sign, value = text.partition("=")
        if not sign or not path.strip():
            raise InputError(Problem("command line", 0, 0, "--set", repr(text[:60]), "PATH=VALUE"))
        if value.strip() in ("", "---"):
            actual, accepted = "no value", "a value as written in a file; null removes the key"
            raise InputError(Problem("command line", 0, 0, f"--set {path.strip()}", actual, accepted))
        out[path.strip()] = read_value(value, f"--set {path.strip()}")
    return out


def parse_line_numbers(text: str | None) -> tuple[int, ...]:
    """Parse line numbers such as ``58,102``, in ascending order.

    Raises
    ------
    InputError
        The text has another form.
    """
    numbers = [] if text is None else [number.strip() for number in text.split(",")]
    if any(re.fullmatch(r"[0-9]{1,9}", number) is None for number in numbers):
        from armsim.errors import InputError, Problem

        accepted = "lines of the measured file, such as 58,102"
        raise InputError(Problem("command line", 0, 0, "--exclude", repr((text or "")[:60]), accepted))
    return tuple(sorted({int(number) for number in numbers}))


def require_library(library: str, key: str, extra: str) -> None:
    """Check that the library of an optional extra is installed.

    Raises
    ------
    InputError
        The library is missing; the message says what to install.
    """
    if find_spec(library) is None:
        from armsim.errors import InputError, Problem

        raise InputError(Problem("command line", 0, 0, key, "its library is missing", f"pip install 'armsim[{extra}]'"))


class Paper(StrEnum):
    """Paper sizes of the PDF."""

    a4 = "a4"
    letter = "letter"


PaperSize = Annotated[Paper, typer.Option(help="Paper of the PDF.")]
Arms = Annotated[
    int | None,
    typer.Option(min=1, max=1_000_000, help="Arms to buy for: they share one-off costs and prices by quantity."),
]
Catalogue = Annotated[Path, typer.Option(help="Catalogue of encoders, mountings and placements.")]

_BYTES = {"B": 1, "kB": 1e3, "MB": 1e6, "GB": 1e9, "TB": 1e12, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30, "TiB": 2**40}


def parse_memory(text: str) -> int:
    """Parse a size of memory such as ``2GiB``. [byte]"""
    match = re.fullmatch(r"\s*(\d{1,15}(?:\.\d{1,15})?)\s*([A-Za-z]+)\s*", text, re.ASCII)
    if match is None or match[2] not in _BYTES or float(match[1]) <= 0:
        from armsim.errors import InputError, Problem

        accepted = f"a number with one of {', '.join(_BYTES)}, such as 2GiB"
        raise InputError(Problem("command line", 0, 0, "--memory", repr(text[:60]), accepted))
    return int(float(match[1]) * _BYTES[match[2]])


def write_new(path: Path, text: str) -> None:
    """Write a new file completely or not at all; never replace one.

    Raises
    ------
    RunError
        The file cannot be written.
    """
    from armsim.errors import RunError

    try:
        with path.open("x", encoding="utf-8") as file:  # "x" also refuses a dangling link
            try:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            except BaseException:
                path.unlink()
                raise
    except OSError as error:
        raise RunError(f"{path} cannot be written: {error.strerror or error}; nothing was written") from error


def write_all_new(texts: Mapping[Path, str]) -> None:
    """Write several new files, as `write_new`; remove all of them where one cannot be written.

    Raises
    ------
    RunError
        One of them cannot be written.
    """
    files_written: list[Path] = []
    try:
        for path, text in texts.items():
            write_new(path, text)
            files_written.append(path)
    except BaseException:
        for path in files_written:
            path.unlink(missing_ok=True)
        raise


def check_new_file(path: Path, key: str) -> None:
    """Refuse a path at which no new file can be created, before any work.

    Raises
    ------
    InputError
        The file exists, or cannot be created.
    """
    from armsim.errors import InputError, Problem

    fault = ""
    if os.path.lexists(path):
        fault = "already exists"
    elif not os.path.isdir(path.absolute().parent):
        fault = "its folder does not exist"
    else:
        try:
            path.open("x").close()
            path.unlink()
        except OSError as error:
            fault = f"cannot be created: {error.strerror or error}"
    if fault:
        raise InputError(Problem(str(path), 0, 0, key, fault, "a new file in an existing folder"))


def results_name(scenario: Path) -> str:
    """Default name of a scenario's results: the stem of its file, or the folder of a ``scenario.yaml``."""
    plain = scenario.stem == "scenario" and scenario.absolute().parent.name
    return scenario.absolute().parent.name if plain else scenario.stem
