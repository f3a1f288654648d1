"""Scenario: machine, tasks, requirement, sampling plan."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from armsim.errors import InputError, Problem
from armsim.model.calibration_plan import Calibration
from armsim.model.machine import Machine
from armsim.model.motion import Motion
from armsim.requirement.requirement import Requirement
from armsim.sampling_plan import SamplingPlan
from armsim.sources import Source
from armsim.tasks import Task


@dataclass(frozen=True, eq=False)
class Scenario:
    """A scenario ready to run.

    Parameters
    ----------
    name : str
    machine : Machine
    tasks : tuple of Task
    plan : SamplingPlan
    requirement : Requirement, optional
    sources : tuple of Source
        Every file read, the scenario first.
    notes : tuple of str
        Remarks that are no faults, such as on links that lead elsewhere.
    motion : Motion, optional
        Speeds at which it is asked how smoothly the joints move.
    calibration : Calibration, optional
        Calibration of every built arm.
    file : Path, optional
        File that was read: the first source, or the document based on it.
    """

    name: str
    machine: Machine
    tasks: tuple[Task, ...]
    plan: SamplingPlan
    requirement: Requirement | None
    sources: tuple[Source, ...]
    notes: tuple[str, ...] = ()
    motion: Motion | None = None
    calibration: Calibration | None = None
    file: Path | None = None

    @property
    def folder(self) -> Path:
        """Folder to which file names in changes without a file, as on the command line, are relative."""
        return Path(os.path.realpath(self.file or self.sources[0].path)).parent

    def fault(self, key: str, actual: str, accepted: str) -> InputError:
        """Error in the scenario as a whole, at the head of its file."""
        return InputError(Problem(str(self.file or "scenario"), 1, 1, key, actual, accepted))
