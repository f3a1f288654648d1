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
from armsim.model.calibration_plan import Calibration, Criterion, Instrument
from armsim.model.machine import Machine
from armsim.scenario import Scenario
from armsim.tasks import Cloud, PoseSet

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
    offered : int
        Number of candidate poses regardless of the line of sight.
    """

    names: tuple[str, ...]
    joints: Array
    offered: int


def in_sight(instrument: Instrument, arm: Arm, joints: Array) -> NDArray[np.bool_]:
    """Whether the target looks towards the instrument at joint positions (N, joints), within its cone, shape (N,)."""
    if instrument.cone is None:
        return np.ones(len(joints), dtype=bool)
    tool = arm.postures(joints, []).tool
    line = np.array(instrument.at) - (tool[:, :3, 3] + tool[:, :3, :3] @ np.array(instrument.target_offset))
    normal = tool[:, :3, :3] @ np.array(instrument.normal)
    angle = np.arctan2(np.linalg.norm(np.cross(line, normal), axis=1), np.sum(line * normal, axis=1))
    return np.asarray(angle <= instrument.cone)


def candidates_of(scenario: Scenario, calibration: Calibration, pose_sets: Sequence[PoseSet]) -> Candidates:
    """Poses that may be measured: of a task, of a file, or spread over the ranges of the joints; those in sight.

    Raises
    ------
    InputError
        None of them is in sight.
    """
    poses, arm = calibration.poses, scenario.machine.arm
    if poses.file is not None:
        joints = np.array(poses.file)
        names = tuple(f"pose {n + 1}" for n in range(len(joints)))
    elif poses.task is not None:
        pairs = zip(scenario.tasks, pose_sets, strict=True)
        pose_set = next(task_poses for task, task_poses in pairs if task.name == poses.task)
        names, joints = pose_set.names, pose_set.configurations.joints
    else:
        spread = Cloud("candidates", poses.candidates).find(arm)
        names, joints = spread.names, spread.configurations.joints
    seen = in_sight(calibration.instrument, arm, joints)
    if not seen.any():
        found = f"none of {len(joints)} poses turns its target towards the instrument"
        raise scenario.fault("calibration.instrument.cone", found, "a wider cone, another normal, another place (at)")
    visible = tuple(name for name, is_visible in zip(names, seen, strict=True) if is_visible)
    return Candidates(visible, joints[seen], len(joints))


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
        """Criterion of the calibration: residual error at poses of the tasks, or determinant."""
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


def chosen_for(scenario: Scenario, calibration: Calibration, pose_sets: Sequence[PoseSet]) -> Measurement:
    """The measurement of a calibration at the poses that it asks for.

    Raises
    ------
    InputError
        As `candidates_of`.
    """
    candidates = candidates_of(scenario, calibration, pose_sets)
    count = calibration.poses.count
    if count is None or count >= len(candidates.joints):
        return Measurement(calibration, candidates.joints)
    choosing = Choosing.of(scenario.machine, calibration, candidates, pose_sets, scenario.plan.seed)
    return choosing.measurement(choosing.asked())
