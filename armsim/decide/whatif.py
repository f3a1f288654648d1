"""What if: each joint without error, each cause halved, each encoder one bit finer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from armsim.decide import records
from armsim.decide.paired_tasks import Evaluated, at_worst_pose, passing
from armsim.decide.records import Kind
from armsim.engine.layout import MEMORY
from armsim.engine.paired import Difference
from armsim.engine.run import Progress
from armsim.model.encoder import Encoder
from armsim.model.machine import Change, Machine
from armsim.results import Result
from armsim.study import Study

MOST_POSES = 1000
"""Poses of a task looked at; of more, those with the largest errors."""


@dataclass(frozen=True)
class WhatIf:
    """What a change of the machine does to one task.

    ``p95`` is the change of the 95 % quantile at the worst pose [m], ``passing`` that of the yield.
    """

    task: str
    kind: Kind
    what: str
    p95: Difference
    passing: Difference | None


@dataclass(frozen=True, eq=False)
class WhatIfs:
    """The table, and the result that it changes."""

    result: Result
    rows: tuple[WhatIf, ...]

    def of(self, task: str) -> list[WhatIf]:
        """Rows of a task, the largest gain first."""
        return sorted((row for row in self.rows if row.task == task), key=lambda row: row.p95.value)

    def to_dict(self) -> dict[str, Any]:
        """For JSON, as `records.WhatIfsRecord`; SI units."""
        rows = tuple(
            records.WhatIfRecord(
                row.task, row.kind, row.what, records.Change.of(row.p95), records.Change.of(row.passing)
            )
            for row in self.rows
        )
        return records.plain(records.WhatIfsRecord(self.result.scenario, rows))


def changes(machine: Machine) -> list[tuple[Kind, str, Machine]]:
    """Every change looked at: its kind, its name, the machine with it."""
    out: list[tuple[Kind, str, Machine]] = []
    for joint in machine.joints:
        out.append(("joint ideal", joint.name, _with(machine, Change(0.0, joint=joint.name))))
    for cause in dict.fromkeys(term.cause for term in machine.terms):
        out.append(("cause halved", cause, _with(machine, Change(0.5, cause=cause))))
    for number, joint in enumerate(machine.joints):
        finer = list(machine.joints)
        finer[number] = replace(joint, encoder=finer_by_a_bit(joint.encoder))
        out.append(("one bit finer", joint.name, replace(machine, joints=tuple(finer))))
    return out


def finer_by_a_bit(encoder: Encoder) -> Encoder:
    """The encoder with half the step, everything else as it was."""
    if encoder.summary is None:
        return replace(encoder, interpolation=encoder.interpolation + 1)
    step = encoder.summary.resolution + 1 if encoder.rotary else encoder.summary.resolution / 2
    return replace(encoder, summary=replace(encoder.summary, resolution=step))


def what_if(
    study: Study,
    workers: int | None = None,
    progress: Progress = lambda what, done, total: None,
    memory: int = MEMORY,
    note: Callable[[str], None] = lambda text: None,
) -> WhatIfs:
    """Change one thing after the other; all draw the same numbers, so that only the change makes a difference.

    Raises
    ------
    RunError
        As `Study.run`.
    """
    found = study.find(progress)
    result, sampled = study.evaluate(found, workers, progress, memory, note=note)
    # the poses that matter: all of them, or those with the largest errors
    kept = []
    for task, poses in zip(result.tasks, found, strict=True):
        order = np.argsort(-task.column("error.p95"), kind="stable")[:MOST_POSES]
        kept.append(poses.only([poses.names[n] for n in sorted(order.tolist())]))
    plan = replace(sampled.job.plan, tolerance=None)
    base = study.with_scenario(plan=plan)
    if any(len(few.names) < len(poses.names) for few, poses in zip(kept, found, strict=True)):
        result, sampled = base.evaluate(kept, workers, progress, memory)
    first = [
        Evaluated(task, sampled, poses.configurations, n)
        for n, (task, poses) in enumerate(zip(result.tasks, kept, strict=True))
    ]
    rows = []
    every = changes(study.scenario.machine)
    for number, (kind, what, machine) in enumerate(every):
        progress("what if", number, len(every))
        changed, again = base.with_scenario(machine=machine).evaluate(kept, workers, memory=memory)
        for one, task in zip(first, changed.tasks, strict=True):
            other = Evaluated(task, again, one.configurations, one.number)
            rows.append(WhatIf(task.name, kind, what, at_worst_pose(one, other), passing(one, other)))
    progress("what if", len(every), len(every))
    return WhatIfs(result, tuple(rows))


def _with(machine: Machine, change: Change) -> Machine:
    return replace(machine, changes=(*machine.changes, change))
