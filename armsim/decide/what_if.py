"""What if: each joint without error, each cause halved, everywhere or at one joint, each encoder one bit finer."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from pydantic import computed_field

from armsim.criteria import CriterionChange, Evaluated, change_of
from armsim.decide.decision_records import Kind
from armsim.decide.perturbation import Probe
from armsim.model.encoder import Encoder
from armsim.model.machine import Change, Machine
from armsim.results import Result
from armsim.results.json_records import NotInRecord, plain
from armsim.run_options import RunOptions
from armsim.sampling.operation_limits import limit_causes
from armsim.sampling.paired_difference import Difference
from armsim.study import Study

LEAST_SHARE = 0.01
"""Smallest share of the mean square error of a cause at one joint for which it is halved there alone."""


@dataclass(frozen=True)
class WhatIf:
    """Effect of a change of the machine on one task, per criterion; the deciding criterion comes first."""

    task: str
    kind: Kind
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
    """Effect of a change of the machine on the criteria of single joints, of those that change."""

    kind: Kind
    what: str
    criteria: tuple[CriterionChange, ...]


@dataclass(frozen=True, eq=False)
class WhatIfs:
    """Result of `armsim what-if`: the table, what changes of single joints, and the result of the unchanged study."""

    result: NotInRecord[Result]
    rows: tuple[WhatIf, ...]
    joints: tuple[WhatIfJoints, ...] = ()
    format: Literal["armsim-what-if/2"] = "armsim-what-if/2"

    def of(self, task: str) -> list[WhatIf]:
        """Rows of a task, the largest gain in the criterion that decides first."""
        return sorted((row for row in self.rows if row.task == task), key=lambda row: -row.criteria[0].gain)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def scenario(self) -> str:
        """The design that is changed."""
        return self.result.scenario

    def to_dict(self) -> dict[str, Any]:
        """Dictionary for JSON, in SI units."""
        return plain(self)


def changes(machine: Machine, large: Collection[tuple[str, str]] = ()) -> list[tuple[Kind, str, Machine]]:
    """All hypothetical changes: kind, name, and changed machine.

    ``large``: joints and causes of theirs that are halved there alone, where other joints have them too.

    Parameters
    ----------
    machine : Machine
    large : collection of (str, str)
        Owners and causes with large shares.

    Returns
    -------
    list of (Kind, str, Machine)
    """
    out: list[tuple[Kind, str, Machine]] = []
    for joint in machine.joints:
        out.append(("joint ideal", joint.name, _with(machine, Change(0.0, joint=joint.name))))
    all_causes = [*(term.cause for term in machine.terms), *limit_causes(machine)]
    causes = {cause.name: cause for cause in all_causes}
    for name, cause in causes.items():
        out.append(("cause halved", name, _with(machine, Change(0.5, cause=cause))))
    for owner, name in large:
        change = Change(0.5, joint=owner, cause=causes[name])
        out.append(("cause at a joint halved", f"{name} at {owner}", _with(machine, change)))
    for number, joint in enumerate(machine.joints):
        finer = list(machine.joints)
        finer[number] = replace(joint, encoder=finer_by_a_bit(joint.encoder))
        out.append(("one bit finer", joint.name, replace(machine, joints=tuple(finer))))
    return out


def finer_by_a_bit(encoder: Encoder) -> Encoder:
    """The encoder with half the step, everything else as it was."""
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
    """
    probe = Probe.of(study, run_options)
    rows, joints = [], []
    all_changes = changes(study.scenario.machine, _large(probe.sides, study.scenario.machine.arm.names))
    for number, (kind, what, machine) in enumerate(all_changes):
        run_options.progress("what if", number, len(all_changes))
        for side, changed in zip(probe.sides, probe.with_machine(machine), strict=True):
            rows.append(WhatIf(side.name, kind, what, changed))
        if of_joints := probe.joints_with(machine):
            joints.append(WhatIfJoints(kind, what, of_joints))
    run_options.progress("what if", len(all_changes), len(all_changes))
    return WhatIfs(probe.result, tuple(rows), tuple(joints))


def _large(sides: Sequence[Evaluated], joints: Sequence[str]) -> list[tuple[str, str]]:
    """Joints and causes of theirs with a share worth a change of its own, at the worst pose of any task."""
    large: dict[tuple[str, str], None] = {}
    for side in sides:
        names, shares = side.table.share_names, side.table.contributions[side.worst()]
        causes = [cause for _, cause in names]
        for (owner, cause), share in zip(names, shares.tolist(), strict=True):
            if share >= LEAST_SHARE and causes.count(cause) > 1 and owner in joints:
                large[owner, cause] = None
    return list(large)


def _with(machine: Machine, change: Change) -> Machine:
    return replace(machine, changes=(*machine.changes, change))
