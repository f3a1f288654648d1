"""Immutable snapshots: an answer with its design, a pinned design, the input of a background job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from armsim.explorer.design import Step
from armsim.report.reproduce import RunRequest
from armsim.study import Answer, Study
from armsim.tasks import PoseSet


@dataclass(frozen=True, eq=False)
class Snapshot:
    """An answer with its design and study.

    Parameters
    ----------
    key : str
        Key of the design.
    study : Study
    answer : Answer
    name : str
        Name of the design.
    """

    key: str
    study: Study
    answer: Answer
    name: str = ""

    @property
    def complete(self) -> bool:
        """Whether all units of the scenario's plan are sampled."""
        return self.answer.last


@dataclass(frozen=True, eq=False)
class Pinned:
    """A pinned design with its last snapshot, without the samples behind it."""

    name: str
    step: Step
    snapshot: Snapshot | None

    @property
    def key(self) -> str:
        """Key of the design."""
        return self.step.design.key


@dataclass(frozen=True, eq=False)
class JobInput:
    """What a background job works on, fixed when it is started: later changes of the design do not reach it.

    Parameters
    ----------
    name : str
        Name of the design.
    step : Step
        The design and its study.
    snapshot : Snapshot, optional
        Its latest answer.
    poses : sequence of PoseSet
        Poses of every task.
    as_read : Study
        Study of the scenario without any changes.
    request : RunRequest
        Command line that samples the design.
    catalogue : Path, optional
    pinned : tuple of Pinned
    note : str
        Note on the design.
    """

    name: str
    step: Step
    snapshot: Snapshot | None
    poses: Sequence[PoseSet]
    as_read: Study
    request: RunRequest
    catalogue: Path | None
    pinned: tuple[Pinned, ...]
    note: str = ""

    @property
    def study(self) -> Study:
        """Study of the design."""
        return self.step.study


@dataclass(frozen=True, eq=False)
class Saved:
    """A design that was saved: its file, its key, what was written, and whether the file is a scenario."""

    path: Path
    key: str
    content: bytes
    is_scenario: bool = True

    @property
    def unchanged(self) -> bool:
        """Whether the file is as it was written."""
        try:
            return self.path.read_bytes() == self.content
        except OSError:
            return False
