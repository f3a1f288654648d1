"""Effect of hypothetical changes: a joint ideal, a cause halved (at all joints or at one), an encoder one bit finer."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from pydantic import computed_field

from armsim.criteria import CriterionChange, EvaluatedTask, change_of
from armsim.decide.decision_records import ChangeKind
from armsim.decide.perturbation import PerturbationBaseline
from armsim.model.encoder import Encoder
from armsim.model.machine import Change, Machine
from armsim.results import Result
from armsim.results.json_records import NotInRecord, record_as_dict
from armsim.run_options import RunOptions
from armsim.sampling.operation_limits import limit_causes
from armsim.sampling.paired_difference import Difference
from armsim.study import Study

LEAST_SHARE = 0.01
"""Smallest share in the mean square error of a cause at one joint for which it is also halved at that joint alone."""


@dataclass(frozen=True)
class WhatIf:
    """Effect of a change of the machine on one task, per criterion, the deciding criterion first.

    ``what`` names the changed joint or cause.
    """

    task: str
    kind: ChangeKind
    what: str
    criteria: tuple[CriterionChange, ...]

    @computed_field  # type: ignore[prop-decorator]
    @property
    def at_coverage(self) -> Difference | None:
        """Change of the error quantile at the coverage at the worst pose. [m]"""
        return change_of(self.criteria, "position")

    @computed_field(alias="yield")  # type: ignore[prop-decorator]
    @property
    def passing(self) -> Difference | None:
        """Change of the yield. [1]"""
        return change_of(self.criteria, "yield")


@dataclass(frozen=True)
class WhatIfJoints:
    """Effect of a change of the machine on those criteria of single joints that change."""

    kind: ChangeKind
    what: str
    criteria: tuple[CriterionChange, ...]


@dataclass(frozen=True, eq=False)
class WhatIfs:
    """Result of `armsim what-if`.

    Parameters
    ----------
    result : Result
        Result of the unchanged study.
    rows : tuple of WhatIf
    joints : tuple of WhatIfJoints
    """

    result: NotInRecord[Result]
    rows: tuple[WhatIf, ...]
    joints: tuple[WhatIfJoints, ...] = ()
    format: Literal["armsim-what-if/2"] = "armsim-what-if/2"

    def rows_of(self, task: str) -> list[WhatIf]:
        """Rows of a task, the largest gain in the deciding criterion first."""
        return sorted((row for row in self.rows if row.task == task), key=lambda row: -row.criteria[0].gain)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def scenario(self) -> str:
        """Name of the scenario that is changed."""
        return self.result.scenario

    def to_dict(self) -> dict[str, Any]:
        """Dictionary for JSON, in SI units."""
        return record_as_dict(self)


def hypothetical_changes(
    machine: Machine, large: Collection[tuple[str, str]] = ()
) -> list[tuple[ChangeKind, str, Machine]]:
    """All hypothetical changes of a machine.

    Parameters
    ----------
    machine : Machine
    large : collection of (str, str)
        Joints and causes with large shares: the cause is also halved at that joint alone.

    Returns
    -------
    list of (ChangeKind, str, Machine)
        Kind of the change, name of the changed joint or cause, and changed machine.
    """
    out: list[tuple[ChangeKind, str, Machine]] = []
    for joint in machine.joints:
        out.append(("joint ideal", joint.name, _with_change(machine, Change(0.0, joint=joint.name))))
    all_causes = [*(term.cause for term in machine.terms), *limit_causes(machine)]
    causes = {cause.name: cause for cause in all_causes}
    for name, cause in causes.items():
        out.append(("cause halved", name, _with_change(machine, Change(0.5, cause=cause))))
    for owner, name in large:
        change = Change(0.5, joint=owner, cause=causes[name])
        out.append(("cause at a joint halved", f"{name} at {owner}", _with_change(machine, change)))
    for number, joint in enumerate(machine.joints):
        finer = list(machine.joints)
        finer[number] = replace(joint, encoder=one_bit_finer(joint.encoder))
        out.append(("one bit finer", joint.name, replace(machine, joints=tuple(finer))))
    return out


def one_bit_finer(encoder: Encoder) -> Encoder:
    """Encoder with half the measuring step and otherwise unchanged."""
    if encoder.summary is None or encoder.signal_periods or encoder.signal_period:
        return replace(encoder, interpolation=encoder.interpolation + 1)
    step = encoder.summary.resolution + 1 if encoder.rotary else encoder.summary.resolution / 2
    return replace(encoder, summary=replace(encoder.summary, resolution=step))


def what_if(
    study: Study,
    run_options: RunOptions = RunOptions(),
) -> WhatIfs:
    """Evaluate one change at a time with common random numbers.

    Parameters
    ----------
    study : Study
    run_options : RunOptions

    Returns
    -------
    WhatIfs

    Raises
    ------
    RunError
        As `Study.run`.

    Examples
    --------
    >>> import armsim
    >>> study = armsim.load("scenarios/lessons/eccentricity.yaml").with_plan(units=200)
    >>> armsim.what_if(study).rows[0].what
    'j1'
    """
    baseline = PerturbationBaseline.of(study, run_options)
    rows, joints = [], []
    all_changes = hypothetical_changes(
        study.scenario.machine, _large_contributions(baseline.tasks, study.scenario.machine.arm.names)
    )
    for number, (kind, what, machine) in enumerate(all_changes):
        run_options.progress("what if", number, len(all_changes))
        for task_baseline, changed in zip(baseline.tasks, baseline.changes_by_task(machine), strict=True):
            rows.append(WhatIf(task_baseline.name, kind, what, changed))
        if of_joints := baseline.changes_of_joints(machine):
            joints.append(WhatIfJoints(kind, what, of_joints))
    run_options.progress("what if", len(all_changes), len(all_changes))
    return WhatIfs(baseline.result, tuple(rows), tuple(joints))


def _large_contributions(sides: Sequence[EvaluatedTask], joints: Sequence[str]) -> list[tuple[str, str]]:
    """Joints and their causes with a share of at least `LEAST_SHARE` at the worst pose of any task."""
    large: dict[tuple[str, str], None] = {}
    for side in sides:
        names, shares = side.table.share_names, side.table.contributions[side.worst()]
        causes = [cause for _, cause in names]
        for (owner, cause), share in zip(names, shares.tolist(), strict=True):
            if share >= LEAST_SHARE and causes.count(cause) > 1 and owner in joints:
                large[owner, cause] = None
    return list(large)


def _with_change(machine: Machine, change: Change) -> Machine:
    return replace(machine, changes=(*machine.changes, change))
