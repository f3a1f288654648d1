"""A run done again from its manifest: the inputs as they were, and the results compared."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import TypeAdapter, ValidationError

from armsim.errors import InputError, Problem
from armsim.results import Result

LARGEST = 2**20
"""Bytes of a manifest, at most."""


@dataclass(frozen=True)
class Asked:
    """What a run was asked for; paths as they were given.

    ``what_if`` and ``catalogue`` say what was worked out beside the run itself.
    """

    scenario: str
    seed: int
    units: int
    visits: int
    what_if: bool = False
    catalogue: str | None = None
    paper: str = "a4"


@dataclass(frozen=True)
class _Manifest:
    asked: Asked
    results_sha256: str
    inputs: list[dict[str, str]]
    armsim: str
    format: Literal["armsim-manifest/1"]
    seed: int
    visits: int


def sha256(result: Result) -> str:
    """Of results.json."""
    digest = hashlib.sha256()
    for piece in result.pieces():
        digest.update(piece)
    return digest.hexdigest()


def file_sha256(path: Path) -> str:
    """Of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_manifest(path: Path) -> tuple[Asked, str]:
    """What to do again, and the hash of the results that must come.

    Raises
    ------
    InputError
        It is no manifest of a run, or an input is not there or not as it was; all of them are told.
    """
    try:
        if path.stat().st_size > LARGEST:
            raise ValueError("too large")
        data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        manifest = TypeAdapter(_Manifest).validate_python(data)
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(Problem(str(path), 0, 0, "", f"cannot be read: {error}", "a manifest.json")) from error
    except (ValueError, RecursionError, ValidationError) as error:
        accepted = "the manifest.json that armsim run wrote"
        raise InputError(Problem(str(path), 0, 0, "", "not the manifest of a run", accepted)) from error
    problems = []
    for key in ("seed", "visits"):
        if getattr(manifest, key) != getattr(manifest.asked, key):
            found = f"{getattr(manifest, key)}, and {getattr(manifest.asked, key)} in what was asked"
            problems.append(Problem(str(path), 0, 0, key, found, "the same in both"))
    results = path.parent / "results.json"
    if results.is_file() and file_sha256(results) != manifest.results_sha256:
        accepted = f"the file with the SHA-256 {manifest.results_sha256[:16]}..."
        problems.append(Problem(str(results), 0, 0, "", "is not the result of which the manifest tells", accepted))
    for row in manifest.inputs:
        file = Path(row["file"])
        if not file.is_file():
            accepted = "the folder in which the run was made, with its inputs"
            problems.append(Problem(str(file), 0, 0, "", "no such file", accepted))
        elif file_sha256(file) != row["sha256"]:
            accepted = f"the file with the SHA-256 {row['sha256'][:16]}..."
            problems.append(Problem(str(file), 0, 0, "", "is not as it was when the run was made", accepted))
    if problems:
        raise InputError(*problems)
    return manifest.asked, manifest.results_sha256


def difference(result: Result, expected: str, earlier: Path) -> str | None:
    """In which way a result is not that of a manifest; None where it is the same to the bit.

    ``earlier`` is the results.json beside the manifest, looked into where it is still there.
    """
    if sha256(result) == expected:
        return None
    if not earlier.is_file():
        return "they differ"
    before = Result.from_json(earlier.read_bytes())
    if before.version != result.version:
        return f"they were made by version {before.version}, this is {result.version}"
    shapes = [[task.poses.values.shape for task in own.tasks] for own in (before, result)]
    if shapes[0] != shapes[1]:
        return "they have other poses"
    largest = 0.0
    for one, two in zip(before.tasks, result.tasks, strict=True):
        a, b = one.poses.values, two.poses.values
        scale = np.nanmax(np.abs(a), initial=0.0) or 1.0
        largest = max(largest, float(np.nanmax(np.abs(a - b), initial=0.0)) / float(scale))
    return f"they differ by up to {largest:.2g} of the largest value; another kind of processor may round otherwise"
