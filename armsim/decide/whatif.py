"""What if: each joint without error, each cause halved, everywhere or at one joint, each encoder one bit finer.

A change is sampled at the poses that may be its worst, by first order with the ratio of quantile and rms that each pose
has without it, and at more of them where those miss what was foretold; whether a unit passes is looked at everywhere,
for which no visit is needed.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.assessment import Judged
from armsim.decide import records
from armsim.decide.paired_tasks import Evaluated, at_worst_pose
from armsim.decide.records import Kind
from armsim.engine.drawn import Drawn
from armsim.engine.layout import MEMORY
from armsim.engine.paired import Difference, share_difference
from armsim.engine.passing import survey
from armsim.engine.run import Progress
from armsim.engine.work import Job
from armsim.model.encoder import Encoder
from armsim.model.machine import Change, Machine
from armsim.results import Result
from armsim.study import Study

MOST_POSES = 1000
"""Poses of a task looked at; of more, those with the largest errors."""
NEAR_WORST = 0.97
"""Share of the largest error that is foretold from which on a pose is sampled."""
MISSED = 1.005
"""By which a pose may miss what was foretold more than those sampled did, before it is sampled too."""
LEAST_SHARE = 0.01
"""Share of the mean square error of a cause at one joint from which on it is halved there."""


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


def changes(machine: Machine, large: Collection[tuple[str, str]] = ()) -> list[tuple[Kind, str, Machine]]:
    """Every change looked at: its kind, its name, the machine with it.

    ``large``: joints and causes of theirs that are halved there alone, where other joints have them too.
    """
    out: list[tuple[Kind, str, Machine]] = []
    for joint in machine.joints:
        out.append(("joint ideal", joint.name, _with(machine, Change(0.0, joint=joint.name))))
    for cause in dict.fromkeys(term.cause for term in machine.terms):
        out.append(("cause halved", cause, _with(machine, Change(0.5, cause=cause))))
    for name, cause in large:
        change = Change(0.5, joint=name, cause=cause)
        out.append(("cause at a joint halved", f"{cause} at {name}", _with(machine, change)))
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
    job, threads = replace(sampled.job, plan=plan), workers or os.cpu_count() or 1
    sides = [
        Evaluated(task.name, task.poses, sampled, poses.configurations, n)
        for n, (task, poses) in enumerate(zip(result.tasks, kept, strict=True))
    ]
    surveys = [survey(job, side.configurations, threads) for side in sides]
    ratios = [
        side.table.column("error.p95") / np.sqrt(looked_at.mean_square)
        for side, looked_at in zip(sides, surveys, strict=True)
    ]
    rows = []
    every = changes(study.scenario.machine, _large(sides))
    for number, (kind, what, machine) in enumerate(every):
        progress("what if", number, len(every))
        drawn = Drawn(machine.terms, plan, True) if job.layout.unit_block >= plan.units else None
        with_it = Job(machine, plan, job.coverage, job.requirement, job.layout, drawn=drawn)
        changed = [survey(with_it, side.configurations, threads) for side in sides]
        foretold = [ratio * np.sqrt(own.mean_square) for ratio, own in zip(ratios, changed, strict=True)]
        near = [np.flatnonzero(own >= NEAR_WORST * own.max()) for own in foretold]
        while True:
            few = [poses.only([poses.names[n] for n in own.tolist()]) for poses, own in zip(kept, near, strict=True)]
            judged, again = base.with_scenario(machine=machine).judge(few, workers, memory=memory)
            more = [_may_be_worse(*own) for own in zip(foretold, near, judged, strict=True)]
            if not any(len(own) for own in more):
                break
            near = [np.union1d(own, further) for own, further in zip(near, more, strict=True)]
        for n, (side, own) in enumerate(zip(sides, judged, strict=True)):
            other = Evaluated(own.name, own.table, again, few[n].configurations, n)
            both = surveys[n].passing, changed[n].passing
            passed = None if job.requirement is None else share_difference(*both)
            rows.append(WhatIf(side.name, kind, what, at_worst_pose(side, other), passed))
    progress("what if", len(every), len(every))
    return WhatIfs(result, tuple(rows))


def _may_be_worse(foretold: Array, near: NDArray[np.intp], judged: Judged) -> NDArray[np.intp]:
    """Poses not sampled that may be worse than all that were, if they miss what was foretold as those did."""
    found = judged.table.column("error.p95")
    missed = float(np.max(found / np.maximum(foretold[near], 1e-300), initial=1.0))
    return np.setdiff1d(np.flatnonzero(foretold * missed * MISSED > found.max()), near)


def _large(sides: Sequence[Evaluated]) -> list[tuple[str, str]]:
    """Joints and causes of theirs with a share worth a change of its own, at the worst pose of any task."""
    found: dict[tuple[str, str], None] = {}
    for side in sides:
        names, shares = side.table.share_names, side.table.column("shares")[side.worst]
        causes = [cause for _, cause in names]
        for own, share in zip(names, shares.tolist(), strict=True):
            if share >= LEAST_SHARE and causes.count(own[1]) > 1 and not own[1].startswith("link"):
                found[own] = None
    return list(found)


def _with(machine: Machine, change: Change) -> Machine:
    return replace(machine, changes=(*machine.changes, change))
