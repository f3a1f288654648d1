"""The waist: a machine, its tasks and a sampling plan in; a result out. Everything above asks it, nothing else."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Self

from armsim.assessment import Judged, judge_all, task_result, with_shared_digits
from armsim.core.kernel_digest import LANES
from armsim.criteria import judge_joints
from armsim.documents import load_scenario
from armsim.documents.load import load_changed
from armsim.errors import InputError, Problem, RunError
from armsim.field_spec import refuse_out_of_bounds
from armsim.model.arm import Arm
from armsim.model.assumptions import assumptions
from armsim.model.effects import stated_effects
from armsim.processors import processors
from armsim.requirement.requirement import coverage_of
from armsim.result_warnings import caveats
from armsim.results import (
    FORMAT,
    JointBudget,
    Result,
)
from armsim.results.pose_table import PoseTable
from armsim.sampling import growth
from armsim.sampling.growth import Stopped
from armsim.sampling.joint_budgets import joint_budgets, link_budget
from armsim.sampling.layout import MEMORY
from armsim.sampling.operation_limits import limits_of
from armsim.sampling.sampler import Progress, Samples, TaskConfigurations, sampling
from armsim.sampling.speed_ripple import motions
from armsim.scenario import Scenario
from armsim.tasks import PoseSet, pose_cache
from armsim.tasks.base import name_key
from armsim.tasks.named_poses import fastest
from armsim.version import own_version, source_digest


@dataclass(frozen=True, eq=False)
class Answer:
    """What is known so far.

    Parameters
    ----------
    units : int
        Built arms that were sampled; 0 for first order alone.
    tables : tuple of PoseTable
        Of every task; nan what is not known yet.
    judged : tuple of Judged
        Verdicts of every task; none by first order alone.
    samples : Samples, optional
        From which `Study.told` makes a result.
    """

    units: int
    tables: tuple[PoseTable, ...]
    judged: tuple[Judged, ...]
    samples: Samples | None


def _quiet(task: str, done: int, total: int) -> None:
    return None


class Study:
    """A scenario with its sampling plan, ready to run. ``study.run()`` gives a `Result`."""

    def __init__(self, scenario: Scenario, found: dict[str, PoseSet] | None = None, made: bool = False) -> None:
        self.scenario = scenario
        self._made = made  # whether the machine is other than the documents say
        self._found: dict[str, PoseSet] = {} if found is None else found  # shared by all studies made from one

    @classmethod
    def load(cls, path: Path | str) -> Self:
        """Read a scenario file.

        Raises
        ------
        InputError
            Anything is wrong in it or in the files it names.
        """
        return cls(load_scenario(path))

    def with_plan(self, units: int | None = None, visits: int | None = None, seed: int | None = None) -> Self:
        """The same study sampled otherwise.

        Parameters
        ----------
        units, visits, seed : int, optional
            As it was where not given.

        Raises
        ------
        ValueError
            A number that no scenario may state.
        """
        old = self.scenario.plan
        plan = replace(
            old,
            units=old.units if units is None else units,
            visits=old.visits if visits is None else visits,
            seed=old.seed if seed is None else seed,
        )
        refuse_out_of_bounds(plan)
        return type(self)(replace(self.scenario, plan=plan), self._found, self._made)

    def with_scenario(self, **changes: Any) -> Self:
        """The same study with other fields of its scenario."""
        made = self._made or "machine" in changes
        return type(self)(replace(self.scenario, **changes), self._found, made)

    def change(
        self, changes: Mapping[str, Any] | None = None, *, joints: Mapping[str, Mapping[str, Any]] | None = None
    ) -> Self:
        """A new study with changes made to the documents that were read, checked like the files.

        Parameters
        ----------
        changes : mapping of path to value, optional
            As `armsim.documents.overrides`: ``{"joints.j2.mounting.eccentricity": "10 um", "groups.wrist.placement":
            "output"}``.
        joints : mapping of joint to keys, optional
            The same by joint: ``{"j1": {"encoder": "disc-28.yaml", "placement": "output"}}``.

        Raises
        ------
        InputError
            A path leads nowhere, or the changed scenario is not a good one.
        ValueError
            The machine of this study was made in Python, so that no document describes it.
        """
        asked = dict(changes or {})
        asked |= {f"joints.{name}.{key}": own for name, keys in (joints or {}).items() for key, own in keys.items()}
        if self._made or not self.scenario.sources:
            raise ValueError("the machine of this study was made in Python: change it there")
        return type(self)(load_changed(self.scenario, asked), self._found)

    def with_arm(self, arm: Arm) -> Self:
        """The same sensors and tasks on another arm, such as `Arm.from_robot` gives; its links are exact.

        Raises
        ------
        InputError
            Its joints have other names, or turn where those of this study slide.
        """
        machine = self.scenario.machine
        kinds = [[(joint.name, joint.revolute) for joint in own.joints] for own in (machine.arm, arm)]
        if kinds[0] != kinds[1]:
            raise InputError(Problem(arm.name, 0, 0, "joints", ", ".join(arm.names), ", ".join(machine.arm.names)))
        own_groups = replace(arm, groups=arm.groups or machine.arm.groups)
        return self.with_scenario(machine=replace(machine, arm=own_groups, tolerances=()))

    def budgets(self, found: Sequence[PoseSet] = ()) -> dict[str, JointBudget]:
        """Every joint with its terms, without sampling; what time does at the largest speeds.

        Those that named poses state, and of the poses ``found``, such as those of paths.
        """
        machine, plan = self.scenario.machine, self.scenario.plan
        return joint_budgets(machine, plan.seed, fastest(machine.arm, self.scenario.tasks, found))

    def run(
        self,
        workers: int | None = None,
        progress: Progress = _quiet,
        memory: int = MEMORY,
        processes: bool = False,
        cluster: str | None = None,
        note: Callable[[str], None] = lambda text: None,
        longest: float = math.inf,
    ) -> Result:
        """Sample the population at every pose of every task.

        Parameters
        ----------
        workers : int, optional
            Threads; the processors of this machine where not given. The result does not depend on it.
        progress : callable
            Told the name of the task, poses done, poses in all.
        memory : int
            Bytes that may be taken. The result does not depend on it.
        processes : bool
            Take processes in place of threads.
        cluster : str, optional
            Address of the scheduler of a cluster of dask.distributed that does the sampling.
        note : callable
            Told what the run will take, before it begins.
        longest : float
            Time that the sampling may take, by the estimate made before it begins. [s]

        Raises
        ------
        RunError
            A task has no pose that the arm can reach, the memory or the time does not suffice, or no worker can be had.
        """
        found = self.find(progress)
        return self.evaluate(found, workers, progress, memory, processes, cluster, note, longest)[0]

    def find(self, progress: Progress = _quiet) -> list[PoseSet]:
        """The poses of every task: those known to this study or kept on disk, else looked for.

        Raises
        ------
        RunError
            A task has no pose that the arm can reach.
        """
        found = []
        for task in self.scenario.tasks:
            arm, advance = self.scenario.machine.arm, partial(progress, f"{task.name}: points")
            poses = pose_cache.poses_of(arm, task, advance, self._found)
            if not poses.names:
                reasons = ", ".join(sorted({point.reason for point in poses.unreachable}))
                raise RunError(
                    f"task {task.name!r}: the arm reaches none of its {len(poses.unreachable)} points ({reasons})"
                )
            found.append(poses.keyed())
        return found

    def evaluate(
        self,
        found: Sequence[PoseSet],
        workers: int | None = None,
        progress: Progress = _quiet,
        memory: int = MEMORY,
        processes: bool = False,
        cluster: str | None = None,
        note: Callable[[str], None] = lambda text: None,
        longest: float = math.inf,
        afterwards: int = 0,
    ) -> tuple[Result, Samples]:
        """Sample the population at poses that are found already; parameters as of `run`.

        ``afterwards``: bytes that are needed for what is then made of the result.
        """
        sampled = self._sample(found, workers, progress, memory, processes, cluster, note, longest, afterwards)
        return self.told(found, sampled), sampled

    def told(self, found: Sequence[PoseSet], sampled: Samples) -> Result:
        """All that is known from samples at poses."""
        scenario = self.scenario
        both = zip(scenario.tasks, found, strict=True)
        final = sampled.job.plan
        each = [
            task_result(scenario, sampled.job, task, poses, sample)
            for (task, poses), sample in zip(both, sampled.tasks, strict=True)
        ]
        shared = with_shared_digits([task.summary for task in each])
        tasks = tuple(replace(task, summary=summary) for task, summary in zip(each, shared, strict=True))
        joints = self.budgets(found)
        operation = limits_of(scenario.machine, final)
        motion = motions(scenario.machine, scenario.motion, final.seed)
        return Result(
            format=FORMAT,
            version=own_version(),
            scenario=scenario.name,
            arm=scenario.machine.arm.name,
            seed=final.seed,
            units=final.units,
            visits=final.visits,
            price=scenario.machine.price,
            requirement=scenario.requirement,
            tasks=tasks,
            joints=joints,
            links=link_budget(scenario.machine),
            warnings=caveats(scenario, tasks, sampled, joints, operation),
            groups=dict(scenario.machine.arm.groups),
            adaptive=sampled.adaptive,
            prices=scenario.machine.prices,
            stated=stated_effects(scenario.machine),
            motion=motion,
            operation=operation,
            judgements=judge_joints(scenario.requirement, motion, operation, final.units),
            source_digest=source_digest(),
            assumptions=assumptions(scenario.machine),
        )

    def growing(
        self,
        found: Sequence[PoseSet] | None = None,
        workers: int | None = None,
        stopped: Stopped = lambda: False,
        memory: int = MEMORY,
        begin: int = 128,
    ) -> Iterator[Answer]:
        """Answers one after the other: first order at once, then a population that grows to the units of the plan.

        The last answer holds the samples of `run`, bit for bit. The iterator ends without it as soon as ``stopped``
        says so.

        Parameters
        ----------
        found : sequence of PoseSet, optional
            Of `find`, which is asked where not given.
        workers : int, optional
            Threads; the processors of this machine where not given.
        stopped : callable
            Asked every 20 ms or so.
        memory : int
            Bytes that may be taken.
        begin : int
            Units of the first population; each further one has four times as many.

        Raises
        ------
        RunError
            A task has no pose that the arm can reach, or the memory does not suffice.
        """
        poses = self.find() if found is None else found
        scenario, plan = self.scenario, self.scenario.plan
        needed = growth.bytes_needed(sum(len(own.names) for own in poses), plan)
        if needed > memory:
            raise RunError(f"a population that grows to {plan.units} units takes {needed} bytes, allowed {memory}")
        job = growth.job_of(scenario.machine, plan, self._coverage)
        try:
            population = growth.Growing(job, self._asked(poses), workers or processors(), stopped)
            yield Answer(0, tuple(population.first_order()), (), None)
            units = min(-(-begin // LANES) * LANES, plan.units)
            while True:
                samples = population.grow(units)
                judged = judge_all(scenario, poses, samples.tasks)
                yield Answer(units, tuple(own.table for own in judged), judged, samples)
                if units == plan.units:
                    return
                units = min(4 * units, plan.units)
        except growth.Interrupted:
            return

    @property
    def _coverage(self) -> float:
        return coverage_of(self.scenario.requirement)

    def _asked(self, found: Sequence[PoseSet]) -> list[TaskConfigurations]:
        return [
            TaskConfigurations(task.name, poses.configurations, name_key(task.name))
            for task, poses in zip(self.scenario.tasks, found, strict=True)
        ]

    def judge(
        self,
        found: Sequence[PoseSet],
        workers: int | None = None,
        progress: Progress = _quiet,
        memory: int = MEMORY,
        note: Callable[[str], None] = lambda text: None,
    ) -> tuple[tuple[Judged, ...], Samples]:
        """Sample, and only judge: for a search that tries many designs; parameters as of `run`."""
        sampled = self._sample(found, workers, progress, memory, note=note)
        return judge_all(self.scenario, found, sampled.tasks), sampled

    def _sample(
        self,
        found: Sequence[PoseSet],
        workers: int | None,
        progress: Progress,
        memory: int,
        processes: bool = False,
        cluster: str | None = None,
        note: Callable[[str], None] = lambda text: None,
        longest: float = math.inf,
        afterwards: int = 0,
    ) -> Samples:
        scenario, where = self.scenario, (workers, memory, processes, cluster, longest, afterwards)
        with sampling(scenario.machine, self._coverage, *where) as place:
            return place.run(scenario.plan, self._asked(found), progress, note)
