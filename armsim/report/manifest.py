"""Manifest of a review: code version, inputs, and the command that reproduces it."""

from __future__ import annotations

import os
import platform
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, NamedTuple

from armsim.report.assumed_values import assumed_records
from armsim.report.reproduce import FORMAT
from armsim.results import Result
from armsim.scenario import Scenario
from armsim.sources import Source
from armsim.version import package_version, source_digest

PACKAGES = (
    "numpy",
    "scipy",
    "numba",
    "roboticstoolbox-python",
    "spatialmath-python",
    "matplotlib",
    "pydantic",
    "typst",
)


class Sample(NamedTuple):
    """Seed and sizes of a sample."""

    seed: int
    units: int
    visits: int

    @staticmethod
    def of(result: Result) -> Sample:
        """Sample of a result."""
        return Sample(result.seed, result.units, result.visits)

    @property
    def sizes(self) -> str:
        """The sample sizes in words."""
        return f"{self.units} built arms × {self.visits} visits, seed {self.seed}"


def manifest_of(
    model: Result | Scenario | None, sample: Sample | None, sources: Sequence[Source], command: str
) -> dict[str, Any]:
    """Manifest of a review: versions, hashes of the inputs, reproducing command, sample.

    With a result, the recorded code is that which made the result.
    """
    result = model if isinstance(model, Result) else None
    return {
        "format": FORMAT,
        "armsim": package_version() if result is None else result.version,
        "source_digest": source_digest() if result is None else result.source_digest,
        "sampled_on": "" if result is None else result.sampled_on,
        "command": command,
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "inputs": [{"file": _file(source.path, sources), "sha256": source.sha256} for source in sources],
        **({} if sample is None else sample._asdict()),
        "python": platform.python_version(),
        "platform": platform.platform(),
        "packages": {name: _version(name) for name in PACKAGES},
        **({} if result is None else {"assumptions": assumed_records(result)}),
    }


def _file(path: Path, sources: Sequence[Source]) -> str:
    """A file as the first was named: from the folder of the run, so that a project may be moved, or from the root."""
    return str(path) if sources[0].path.is_absolute() else os.path.relpath(path)


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "unknown"
