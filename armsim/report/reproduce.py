"""Reproduction of a run from its manifest: check of the inputs, comparison of the results."""

from __future__ import annotations

import hashlib
import json
import os
import shlex
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import Field, TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from armsim.documents.fields import FilePath
from armsim.documents.files import Unreadable, read_bytes
from armsim.errors import InputError, Problem
from armsim.report.pdf import Paper
from armsim.results import Result
from armsim.run_options import Device
from armsim.sampling_plan import MOST_UNITS, MOST_VISITS
from armsim.version import code_label

FORMAT = "armsim-manifest/1"
DEVICE_TOLERANCE = 2.0**-11
"""Difference that the rounding of another device can make, as a share of the largest value of a column: a sample on
the edge of a bin is counted in the next one, so that a quantile moves by a part of a bin. Sums differ by less than
1e-12."""
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


@dataclass(frozen=True)
class RunRequest:
    """Request of a run; paths as given.

    ``what_if`` and ``catalogue`` state further analyses of the run; ``changes`` are the values set by path.
    """

    scenario: FilePath
    seed: Annotated[int, Field(ge=0, le=2**63)]
    units: Annotated[int, Field(ge=1, le=MOST_UNITS)]
    visits: Annotated[int, Field(ge=1, le=MOST_VISITS)]
    what_if: bool = False
    catalogue: FilePath | None = None
    paper: Paper = "a4"
    changes: tuple[str, ...] = ()
    device: Device = "cpu"

    @property
    def command(self) -> str:
        """Command line of the request."""
        parts = ["armsim", "run", self.scenario, "--seed", self.seed, "--units", self.units, "--visits", self.visits]
        parts += ["--what-if"] if self.what_if else []
        parts += [] if self.catalogue is None else ["--catalogue", self.catalogue]
        for change in self.changes:
            parts += ["--set", change]
        parts += [] if self.paper == "a4" else ["--paper", self.paper]
        parts += [] if self.device == "cpu" else ["--device", self.device]
        return " ".join(shlex.quote(str(part)) for part in parts)


@dataclass(frozen=True)
class _Input:
    file: FilePath
    sha256: Sha256


@dataclass(frozen=True)
class Manifest:
    """Part of a manifest that reproduces its run; ``armsim`` and ``source_digest`` name the code of the run."""

    request: Annotated[RunRequest, Field(alias="asked")]
    results_sha256: Sha256
    inputs: Annotated[list[_Input], Field(min_length=1, max_length=10_000)]
    armsim: str
    seed: int
    visits: int
    source_digest: str = ""
    sampled_on: str = ""

    def labelled(self, result: Result) -> Result:
        """The result labelled with the code of the earlier run, so that only numbers are compared."""
        return replace(result, version=self.armsim, source_digest=self.source_digest)

    def other_code(self, result: Result) -> str:
        """Sentence on a result that was computed by other code than the earlier one; empty if the code is the same."""
        codes = code_label(self.armsim, self.source_digest), code_label(result.version, result.source_digest)
        return "" if codes[0] == codes[1] else f"the earlier run was made by {codes[0]}, this is {codes[1]}"


def sha256(result: Result) -> str:
    """SHA-256 of the results.json of a result."""
    digest = hashlib.sha256()
    for piece in result.pieces():
        digest.update(piece)
    return digest.hexdigest()


def file_sha256(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_manifest(path: Path) -> Manifest:
    """Read a manifest and check that its inputs are unchanged.

    Raises
    ------
    InputError
        The file is no manifest of a run, or inputs are missing or changed; all of them are named.
    """
    accepted = "the manifest.json that armsim run wrote"
    try:
        raw = read_bytes(path)
        data: Any = json.loads(raw.decode())
        if not isinstance(data, dict) or data.get("format") != FORMAT:
            raise ValueError("another document")
        manifest = TypeAdapter(Manifest).validate_json(raw, strict=True)
    except Unreadable as error:
        raise InputError(Problem(str(path), 0, 0, "", error.actual, accepted)) from error
    except ValidationError as error:
        raise InputError(*(_problem(path, detail) for detail in error.errors(include_url=False)[:10])) from error
    except (ValueError, RecursionError) as error:
        raise InputError(Problem(str(path), 0, 0, "", "not the manifest of a run", accepted)) from error
    problems = []
    for key in ("seed", "visits"):
        if getattr(manifest, key) != getattr(manifest.request, key):
            actual = f"{getattr(manifest, key)}, and {getattr(manifest.request, key)} in its request"
            problems.append(Problem(str(path), 0, 0, key, actual, "the same in both"))
    results = path.parent / "results.json"
    if results.is_file() and file_sha256(results) != manifest.results_sha256:
        accepted = f"the file with the SHA-256 {manifest.results_sha256[:16]}..."
        problems.append(Problem(str(results), 0, 0, "", "is not the result that the manifest describes", accepted))
    for row in manifest.inputs:
        try:
            actual = hashlib.sha256(read_bytes(Path(row.file))).hexdigest()
        except Unreadable as error:
            accepted = "the folder in which the run was made, with its inputs"
            problems.append(Problem(row.file, 0, 0, "", error.actual, accepted))
            continue
        if actual != row.sha256:
            accepted = f"the file with the SHA-256 {row.sha256[:16]}..."
            problems.append(Problem(row.file, 0, 0, "", "is not as it was when the run was made", accepted))
    if os.path.realpath(manifest.request.scenario) not in {os.path.realpath(row.file) for row in manifest.inputs}:
        problems.append(
            Problem(str(path), 0, 0, "inputs", "the scenario is not among them", "every file that was read")
        )
    if problems:
        raise InputError(*problems)
    return manifest


def _problem(path: Path, detail: ErrorDetails) -> Problem:
    key = ".".join(str(part) for part in detail["loc"])
    actual = "missing" if detail["type"] == "missing" else f"{detail['input']!r}"
    return Problem(str(path), 0, 0, key, actual, detail["msg"])


def difference(result: Result, expected: str, earlier: Path) -> str | None:
    """Differences of a result from that of a manifest; None if equal to the bit, or to another device's rounding.

    ``earlier`` is the results.json next to the manifest; it is read if it still exists.
    """
    if sha256(result) == expected:
        return None
    if not earlier.is_file():
        return "they differ"
    before = Result.from_json(earlier.read_bytes())
    shapes = [[task.poses.numbers.shape for task in outcome.tasks] for outcome in (before, result)]
    if shapes[0] != shapes[1]:
        return "they have other poses"
    largest = 0.0
    for task_before, task in zip(before.tasks, result.tasks, strict=True):
        a, b = task_before.poses.numbers, task.poses.numbers
        scale = np.nanmax(np.abs(a), initial=0.0) or 1.0
        largest = max(largest, float(np.nanmax(np.abs(a - b), initial=0.0)) / float(scale))
    if before.sampled_on != result.sampled_on and _largest_share(before, result) <= DEVICE_TOLERANCE:
        return None
    if not largest:
        return "the numbers of all poses are the same, other parts differ"
    return f"they differ by up to {largest:.2g} of the largest value; another kind of processor may round otherwise"


def _largest_share(first: Result, second: Result) -> float:
    """Largest difference of the figures of poses, as a share of the largest value of its column."""
    largest = 0.0
    for a, b in zip(first.tasks, second.tasks, strict=True):
        scale = np.nanmax(np.abs(a.poses.numbers), axis=0, initial=np.finfo(float).tiny)
        share = np.abs(a.poses.numbers - b.poses.numbers) / scale
        largest = max(largest, float(np.nanmax(share, initial=0.0)))
    return largest
