"""Scenario: machine, tasks, requirement, sampling plan."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from armsim.errors import InputError, Problem
from armsim.model.arm import Arm
from armsim.model.calibration_plan import Calibration
from armsim.model.drives import joints_on_arm
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.motion import Motion
from armsim.requirement.requirement import Requirement
from armsim.sampling_plan import SamplingPlan
from armsim.sources import Source
from armsim.tasks import Task

CHANGED = "changed: "
"""Beginning of a note on a value that was changed, in place of that of the files."""


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
        Every file read, the scenario first; none of a scenario made in Python.
    notes : tuple of str
        Remarks of the reader that are not faults.
    motion : Motion, optional
        Speeds at which the velocity ripple of the joints is evaluated.
    calibration : Calibration, optional
        Calibration of every built arm.
    file : Path, optional
        Scenario file; it may differ from the first source, which is the document on which it is based.
    """

    name: str
    machine: Machine
    tasks: tuple[Task, ...]
    plan: SamplingPlan = SamplingPlan()
    requirement: Requirement | None = None
    sources: tuple[Source, ...] = ()
    notes: tuple[str, ...] = ()
    motion: Motion | None = None
    calibration: Calibration | None = None
    file: Path | None = None

    @classmethod
    def from_parts(
        cls,
        name: str,
        arm: Arm,
        joints: Iterable[Joint],
        tasks: Iterable[Task],
        requirement: Requirement | None = None,
        plan: SamplingPlan | None = None,
    ) -> Scenario:
        """Scenario of parts made in Python; `armsim.Study` of it runs, `armsim.to_yaml` writes it.

        Parameters
        ----------
        name : str
        arm : Arm
        joints : iterable of Joint
            One for each joint of the arm, in any order; the ranges of the arm give them their travel.
        tasks : iterable of Task
        requirement : Requirement, optional
        plan : SamplingPlan, optional

        Returns
        -------
        Scenario

        Raises
        ------
        ValueError
            The joints have other names than those of the arm.
        """
        machine = Machine(arm, joints_on_arm(arm, joints))
        return cls(name, machine, tuple(tasks), plan or SamplingPlan(), requirement)

    @property
    def folder(self) -> Path:
        """Folder to which file names are relative that no file states, such as those in changes on the command line."""
        return Path(os.path.realpath(self.file or self.sources[0].path)).parent

    def fault(self, key: str, actual: str, accepted: str) -> InputError:
        """Error in the scenario as a whole, reported at the first line of its file."""
        return InputError(Problem(str(self.file or "scenario"), 1, 1, key, actual, accepted))
