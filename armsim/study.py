"""Study: a machine with its tasks and sampling plan, which evaluates to a result."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Self

from armsim.assessment import AssessedTask, judge_all, task_result, with_shared_digits
from armsim.criteria import judge_joints
from armsim.documents import load_scenario
from armsim.documents.load import load_changed, options_for
from armsim.errors import InputError, Problem, RunError
from armsim.field_spec import refuse_out_of_bounds
from armsim.inspection.machine_inspection import budgets, inspect
from armsim.model.arm import Arm
from armsim.model.effects import stated_effects
from armsim.model.joint_options import Options
from armsim.requirement import Judgement
from armsim.requirement.requirement import coverage_of
from armsim.result_warnings import caveats
from armsim.results import FORMAT, JointBudget, Result
from armsim.results.joints import JointMotion, OperationLimit
from armsim.results.pose_table import PoseTable
from armsim.run_options import MEMORY, Device, Interrupted, Note, Progress, RunOptions, no_note, no_progress
from armsim.sampling.operation_limits import limits_of
from armsim.sampling.population import TaskConfigurations
from armsim.sampling.sampler import FirstOrder, Samples, open_runner
from armsim.sampling.speed_ripple import joint_motions
from armsim.scenario import Scenario
from armsim.sources import Source
from armsim.tasks import PoseSet, pose_cache
from armsim.tasks.base import name_key
from armsim.tasks.named_poses import NamedPose, Poses, checked_poses
from armsim.version import package_version, source_digest


@dataclass(frozen=True, eq=False)
class Answer:
    """Intermediate answer of a growing population.

    Parameters
    ----------
    units : int
        Built arms that were sampled; 0 for first order alone.
    tables : tuple of PoseTable
        Table per task; nan in columns that are not computed yet.
    assessed_tasks : tuple of AssessedTask
        Verdicts of every task; none by first order alone.
    samples : Samples, optional
        Samples from which `Study.result_of` makes a result.
    last : bool
        Whether the samples are those of `Study.run`.
    joints : tuple of Judgement
        Judgements of the joints: ripple of their speed, limits of operation.
    """

    units: int
    tables: tuple[PoseTable, ...]
    assessed_tasks: tuple[AssessedTask, ...]
    samples: Samples | None
    last: bool = False
    joints: tuple[Judgement, ...] = ()


class Study:
    """Scenario with its sampling plan, ready to run. ``study.run()`` returns a `Result`."""

    def __init__(
        self, scenario: Scenario, cached_poses: dict[str, PoseSet] | None = None, changed_machine: bool = False
    ) -> None:
        self.scenario = scenario
        self._changed_machine = changed_machine  # whether the machine is other than the documents say
        # shared by all studies derived from one
        self._cached_poses: dict[str, PoseSet] = {} if cached_poses is None else cached_poses

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
        """This study with other sample sizes.

        Parameters
        ----------
        units, visits, seed : int, optional
            By default those of this study.

        Raises
        ------
        ValueError
            A number that no scenario may state.
        """
        numbers: dict[str, Any] = {"units": units, "visits": visits, "seed": seed}
        plan = replace(self.scenario.plan, **{name: value for name, value in numbers.items() if value is not None})
        refuse_out_of_bounds(plan)
        return type(self)(replace(self.scenario, plan=plan), self._cached_poses, self._changed_machine)

    def with_scenario(self, **changes: Any) -> Self:
        """This study with other fields of its scenario."""
        changed_machine = self._changed_machine or "machine" in changes
        return type(self)(replace(self.scenario, **changes), self._cached_poses, changed_machine)

    def change(
        self,
        changes: Mapping[str, Any] | None = None,
        *,
        joints: Mapping[str, Mapping[str, Any]] | None = None,
        documents: Sequence[Source] = (),
    ) -> Self:
        """New study with changes of its documents, checked like files.

        Parameters
        ----------
        changes : mapping of path to value, optional
            As `armsim.documents.overrides`: ``{"joints.j2.mounting.eccentricity": "10 um", "groups.wrist.placement":
            "output"}``.
        joints : mapping of joint to keys, optional
            The same by joint: ``{"j1": {"encoder": "disc-28.yaml", "placement": "output"}}``.
        documents : sequence of Source
            Documents that are not to be read again, beside those of the scenario.

        Raises
        ------
        InputError
            A path does not exist, or the changed scenario is invalid.
        ValueError
            The machine of this study was made in Python, so that no document describes it.
        """
        by_path = dict(changes or {})
        for name, keys in (joints or {}).items():
            by_path |= {f"joints.{name}.{key}": value for key, value in keys.items()}
        return type(self)(load_changed(self._documented, by_path, documents=documents), self._cached_poses)

    def options(self, catalogue: Path | str, arms: int | None = None) -> Options:
        """Options that a catalogue offers for every joint, for `select` and `trade_off`.

        Parameters
        ----------
        catalogue : path
        arms : int, optional
            Number of arms that are bought for; that of the catalogue where not given.

        Raises
        ------
        InputError
            A fault in the catalogue, or a joint without an admissible entry.
        ValueError
            As `change`.
        """
        return options_for(self._documented, catalogue, arms)[1]

    @property
    def _documented(self) -> Scenario:
        """The scenario, if documents describe its machine."""
        if self._changed_machine or not self.scenario.sources:
            raise ValueError("the machine of this study was made in Python: change it there")
        return self.scenario

    def with_poses(self, poses: Mapping[str, Any], name: str = "poses") -> Self:
        """This study at named poses, in place of its tasks.

        Parameters
        ----------
        poses : mapping of name to joint positions or pose
            Joint positions of shape (joints,) [rad or m], or a pose of the tool as ``spatialmath.SE3`` [m].
        name : str
            Name of the task.

        Raises
        ------
        ValueError
            There is none, or joint positions do not fit the joints or lie outside of their ranges.
        """
        named = checked_poses(
            [NamedPose.from_pose(label, pose) for label, pose in poses.items()], self.scenario.machine.arm
        )
        return self.with_scenario(tasks=(Poses(name, named),))

    def with_arm(self, arm: Arm) -> Self:
        """This study on another arm, such as from `Arm.from_robot`, with exact links.

        Raises
        ------
        InputError
            The joints of the machine have other names or another kind of motion than those of this study.
        """
        machine = self.scenario.machine
        kinds = [[(joint.name, joint.revolute) for joint in compared.joints] for compared in (machine.arm, arm)]
        if kinds[0] != kinds[1]:
            raise InputError(Problem(arm.name, 0, 0, "joints", ", ".join(arm.names), ", ".join(machine.arm.names)))
        grouped = replace(arm, groups=arm.groups or machine.arm.groups)
        return self.with_scenario(machine=replace(machine, arm=grouped, tolerances=()))

    def budgets(self, poses: Sequence[PoseSet] = ()) -> dict[str, JointBudget]:
        """Error budget of every joint, without sampling, at the largest speeds.

        ``poses`` are further poses, such as those of paths; named poses of the scenario are always included.
        """
        return budgets(self.scenario, poses)

    def run(
        self,
        workers: int | None = None,
        progress: Progress = no_progress,
        memory: int = MEMORY,
        processes: bool = False,
        cluster: str | None = None,
        note: Note = no_note,
        max_seconds: float = math.inf,
        device: Device = "cpu",
    ) -> Result:
        """Sample the population at every pose of every task.

        Parameters
        ----------
        workers : int, optional
            Threads; by default the number of processors of this machine. The result does not depend on it.
        progress : callable
            Called with the name of the task, the poses done and the poses in all.
        memory : int
            Memory limit. [bytes] The result does not depend on it.
        processes : bool
            Use processes instead of threads.
        cluster : str, optional
            Address of the scheduler of a cluster of dask.distributed that does the sampling.
        note : callable
            Called with the expected size of the run, before it begins.
        max_seconds : float
            Limit of the duration of sampling, which is estimated before it begins. [s]
        device : str
            ``cpu``; ``cuda`` for a CUDA device; ``auto`` for one if it exists and the run is large.

        Raises
        ------
        InputError
            A CUDA device is required, but there is none.
        RunError
            A task has no pose that the arm can reach, the memory or the time does not suffice, or no worker is
            available.
        """
        options = RunOptions(
            workers, memory, processes, cluster, max_seconds, progress=progress, note=note, device=device
        )
        return self.evaluate(self.find(progress), options)[0]

    def find(self, progress: Progress = no_progress) -> list[PoseSet]:
        """Poses of every task: stored in this study, from the disk cache, or solved.

        Raises
        ------
        RunError
            A task has no pose that the arm can reach.
        """
        keyed_sets = []
        for task in self.scenario.tasks:
            point_progress = partial(progress, f"{task.name}: poses")
            poses = pose_cache.poses_of(self.scenario.machine.arm, task, point_progress, self._cached_poses)
            if not poses.names:
                reasons = ", ".join(sorted({point.reason for point in poses.unreachable}))
                raise RunError(
                    f"task {task.name!r}: the arm reaches none of its {len(poses.unreachable)} poses ({reasons})"
                )
            keyed_sets.append(poses.with_keys())
        return keyed_sets

    def evaluate(self, poses: Sequence[PoseSet], options: RunOptions = RunOptions()) -> tuple[Result, Samples]:
        """Sample the population at the poses from `find`, one set per task.

        Raises
        ------
        RunError
            As `run`.
        Interrupted
            The stop callback of the options has stopped it.
        """
        samples = self.sample(poses, options)
        return self.result_of(poses, samples, options), samples

    def result_of(self, poses: Sequence[PoseSet], samples: Samples, options: RunOptions = RunOptions()) -> Result:
        """Result of samples at poses; ``options`` say whether it is stopped between its parts."""
        scenario = self.scenario
        plan = samples.spec.plan
        task_results = [
            task_result(scenario, samples.spec, task, pose_set, sample, options.check_stop)
            for task, pose_set, sample in zip(scenario.tasks, poses, samples.tasks, strict=True)
        ]
        shared = with_shared_digits([task.summary for task in task_results])
        tasks = tuple(replace(task, summary=summary) for task, summary in zip(task_results, shared, strict=True))
        inspection = inspect(replace(scenario, plan=plan), poses, check_stop=options.check_stop)
        return Result(
            format=FORMAT,
            version=package_version(),
            scenario=scenario.name,
            arm=scenario.machine.arm.name,
            seed=plan.seed,
            units=plan.units,
            visits=plan.visits,
            price=scenario.machine.price,
            requirement=scenario.requirement,
            tasks=tasks,
            warnings=caveats(scenario, tasks, samples, inspection.joints, inspection.operation),
            groups=dict(scenario.machine.arm.groups),
            adaptive=samples.adaptive,
            prices=scenario.machine.prices,
            stated=stated_effects(scenario.machine),
            judgements=judge_joints(scenario.requirement, inspection.motion, inspection.operation, plan.units),
            source_digest=source_digest(),
            sampled_on=samples.spec.sampler.device,
            **vars(inspection),
        )

    def growing(
        self, poses: Sequence[PoseSet] | None = None, options: RunOptions = RunOptions(), begin: int = 128
    ) -> Iterator[Answer]:
        """Yield answers: first order at once, then a growing population up to the plan.

        The last answer holds the samples of `run`, bit for bit, for any number of poses: what the memory cannot hold
        from one answer to the next is sampled again. The iterator ends without it as soon as ``options.stopped`` says
        so; ``options.max_seconds`` has no meaning here.

        Parameters
        ----------
        poses : sequence of PoseSet, optional
            Poses from `find`, one set per task; searched for by default.
        options : RunOptions
        begin : int
            Units of the first population; each further one has four times as many.

        Raises
        ------
        RunError
            A task has no pose that the arm can reach, or the memory does not suffice.
        """
        sets = self.find(options.progress) if poses is None else poses
        scenario = self.scenario
        operation: tuple[OperationLimit, ...] = ()
        motion: dict[str, JointMotion] = {}
        try:
            with open_runner(scenario.machine, self._coverage, options) as sampler:
                for state in sampler.sample_growing(scenario.plan, self._configurations(sets), begin):
                    if isinstance(state, FirstOrder):
                        yield Answer(0, state.tables, (), None)
                        operation = limits_of(scenario.machine, scenario.plan)
                        motion = joint_motions(scenario.machine, scenario.motion, scenario.plan.seed)
                        continue
                    assessed_tasks = judge_all(scenario, sets, state.tasks)
                    tables = tuple(task.table for task in assessed_tasks)
                    joints = judge_joints(scenario.requirement, motion, operation, state.spec.plan.units)
                    yield Answer(state.spec.plan.units, tables, assessed_tasks, state, state.last, joints)
        except Interrupted:
            return

    @property
    def _coverage(self) -> float:
        return coverage_of(self.scenario.requirement)

    def _configurations(self, poses: Sequence[PoseSet]) -> list[TaskConfigurations]:
        return [
            TaskConfigurations(task.name, pose_set.configurations, name_key(task.name))
            for task, pose_set in zip(self.scenario.tasks, poses, strict=True)
        ]

    def judge(
        self, poses: Sequence[PoseSet], options: RunOptions = RunOptions()
    ) -> tuple[tuple[AssessedTask, ...], Samples]:
        """Sample and judge only, for a search over many designs.

        Raises
        ------
        RunError
            As `run`.
        """
        samples = self.sample(poses, options)
        return judge_all(self.scenario, poses, samples.tasks), samples

    def sample(self, poses: Sequence[PoseSet], options: RunOptions) -> Samples:
        """Sample the population at the poses from `find`, one set per task, without judging it.

        Raises
        ------
        RunError
            As `run`.
        """
        scenario = self.scenario
        with open_runner(scenario.machine, self._coverage, options) as sampler:
            return sampler.run(scenario.plan, self._configurations(poses))
