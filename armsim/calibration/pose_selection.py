"""The poses of a calibration: candidates, and those that are chosen of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.calibration.estimate import Estimate, Seen, estimate_of, jacobian_of
from armsim.calibration.estimate_correction import Measurement
from armsim.calibration.fedorov_exchange import STARTS, Pool, choose
from armsim.model.arm import Arm
from armsim.model.calibration_plan import Calibration, Criterion
from armsim.model.machine import Machine
from armsim.tasks import Cloud, PoseSet, Task

WEAK = 10.0
"""Standard deviations of the population, or sizes in which a parameter is counted, that a parameter may be off at most
where nothing else is known, so that few poses have a covariance."""


@dataclass(frozen=True, eq=False)
class Candidates:
    """Poses that may be measured.

    Parameters
    ----------
    names : tuple of str
    joints : (N, joints) [rad or m]
    """

    names: tuple[str, ...]
    joints: Array


def candidates_of(
    calibration: Calibration, arm: Arm, tasks: Sequence[Task], pose_sets: Sequence[PoseSet]
) -> Candidates:
    """What may be measured: the poses of a task, of a file, or points spread over the ranges of the joints."""
    plan = calibration.poses
    if plan.file is not None:
        joints = np.array(plan.file)
        return Candidates(tuple(f"pose {n + 1}" for n in range(len(joints))), joints)
    if plan.task is not None:
        task_poses = next(poses for task, poses in zip(tasks, pose_sets, strict=True) if task.name == plan.task)
        return Candidates(task_poses.names, task_poses.configurations.joints)
    spread = Cloud("candidates", plan.candidates).find(arm)
    return Candidates(spread.names, spread.configurations.joints)


@dataclass(frozen=True, eq=False)
class Choosing:
    """All that choosing poses takes: the candidates as they are seen, and what is wanted."""

    machine: Machine
    calibration: Calibration
    candidates: Candidates
    population: Seen
    pool: Pool
    seed: int

    @staticmethod
    def of(
        machine: Machine, calibration: Calibration, candidates: Candidates, pose_sets: Sequence[PoseSet], seed: int
    ) -> Choosing:
        """For the error left at poses of tasks, or the determinant, as the calibration asks."""
        population = Measurement(calibration, candidates.joints).seen(machine)
        pool = _pool(machine, estimate_of(population, calibration.prior), calibration, pose_sets)
        return Choosing(machine, calibration, candidates, population, pool, seed)

    def chosen(self, count: int, choice: Criterion, draw: int = 0, starts: int = STARTS) -> NDArray[np.intp]:
        """Numbers of so many candidates; ``draw`` numbers sets at random, ``starts`` as of `exchange.choose`."""
        rng = np.random.default_rng(np.random.SeedSequence([self.seed, count, draw]))
        number = len(self.candidates.joints)
        if choice == "random":
            return np.sort(rng.permutation(number)[:count])
        return choose(self.pool, count, rng, starts)

    def asked(self) -> NDArray[np.intp]:
        """Numbers of the candidates that the calibration asks for."""
        plan = self.calibration.poses
        return self.chosen(plan.count or len(self.candidates.joints), plan.choice)

    def measurement(self, chosen: NDArray[np.intp]) -> Measurement:
        """Measuring at those."""
        return Measurement(self.calibration, self.candidates.joints[chosen])


def _pool(machine: Machine, every: Estimate, calibration: Calibration, pose_sets: Sequence[PoseSet]) -> Pool:
    linear, root = every.linear, every.root
    leak = linear.gain - every.jacobian @ every.truth
    poses = len(every.jacobian) // 3
    whitened = np.empty((poses, 3, root.shape[1]))
    for n in range(poses):
        rows = slice(3 * n, 3 * n + 3)
        scatter = every.noise[rows, rows] + leak[rows] @ linear.prior @ leak[rows].T
        whitened[n] = np.linalg.inv(np.linalg.cholesky(scatter)) @ every.jacobian[rows] @ root
    before = np.eye(root.shape[1])
    if not every.prior:
        spread = every.spread / every.scale
        before = np.diag((WEAK * np.where(spread > 0.0, spread, 1.0)) ** -2.0)
    if calibration.poses.choice == "determinant":
        return Pool(whitened, before)
    controlled = every.controlled
    weight = np.zeros((root.shape[1],) * 2)
    for poses_of_task in pose_sets:
        reach = (
            jacobian_of(machine, poses_of_task.configurations, every.corrected).reshape(-1, len(controlled))
            @ root[controlled]
        )
        weight += reach.T @ reach / len(poses_of_task.names) / len(pose_sets)
    return Pool(whitened, before, weight)


def chosen_for(
    machine: Machine, calibration: Calibration, tasks: Sequence[Task], pose_sets: Sequence[PoseSet], seed: int
) -> Measurement:
    """The measurement of a calibration at the poses that it asks for."""
    candidates = candidates_of(calibration, machine.arm, tasks, pose_sets)
    count = calibration.poses.count
    if count is None or count >= len(candidates.joints):
        return Measurement(calibration, candidates.joints)
    choosing = Choosing.of(machine, calibration, candidates, pose_sets, seed)
    return choosing.measurement(choosing.asked())
