"""Candidate poses of a calibration, and the selection of those to measure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.calibration.estimate import Estimate, estimate_of
from armsim.calibration.estimate_correction import MeasurementPlan
from armsim.calibration.fedorov_exchange import STARTS, Pool, select_poses
from armsim.calibration.population_at_poses import PopulationAtPoses, jacobian_of
from armsim.model.arm import Arm
from armsim.model.calibration_plan import Calibration, Criterion, Instrument
from armsim.model.machine import Machine
from armsim.scenario import Scenario
from armsim.tasks import Cloud, PoseSet

WEAK_PRIOR = 10.0
"""Standard deviation of a weak prior of every parameter, in standard deviations of the population (or in the scale of
the parameter): it keeps the covariance finite where few poses are chosen."""


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
    """Mask of the joint positions at which the instrument lies within the cone about the normal of the target.

    Parameters
    ----------
    instrument : Instrument
    arm : Arm
    joints : (N, joints) [rad or m]

    Returns
    -------
    (N,) of bool
        All true where the instrument has no cone.
    """
    if instrument.acceptance_angle is None:
        return np.ones(len(joints), dtype=bool)
    tool = arm.postures(joints, []).tool
    line = np.array(instrument.position) - (tool[:, :3, 3] + tool[:, :3, :3] @ np.array(instrument.target_offset))
    normal = tool[:, :3, :3] @ np.array(instrument.normal)
    angle = np.arctan2(np.linalg.norm(np.cross(line, normal), axis=1), np.sum(line * normal, axis=1))
    return np.asarray(angle <= instrument.acceptance_angle)


def candidates_of(scenario: Scenario, calibration: Calibration, pose_sets: Sequence[PoseSet]) -> Candidates:
    """Candidate poses in sight of the instrument: of a task, of a file, or spread over the ranges of the joints.

    Parameters
    ----------
    scenario : Scenario
    calibration : Calibration
    pose_sets : sequence of PoseSet
        Poses of the tasks of the scenario, in their order.

    Returns
    -------
    Candidates

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
    in_view = in_sight(calibration.instrument, arm, joints)
    if not in_view.any():
        problem = f"none of {len(joints)} poses turns its target towards the instrument"
        raise scenario.fault(
            "calibration.instrument.acceptance_angle", problem, "a wider angle, another normal, another position"
        )
    names_in_view = tuple(name for name, is_visible in zip(names, in_view, strict=True) if is_visible)
    return Candidates(names_in_view, joints[in_view], len(joints))


@dataclass(frozen=True, eq=False)
class PoseSelection:
    """Selection of the poses to measure: the population at all candidates, and the criterion.

    Parameters
    ----------
    machine : Machine
    calibration : Calibration
    candidates : Candidates
    population : PopulationAtPoses
        Population at all candidates.
    pool : Pool
        Criterion of the exchange.
    seed : int
    """

    machine: Machine
    calibration: Calibration
    candidates: Candidates
    population: PopulationAtPoses
    pool: Pool
    seed: int

    @staticmethod
    def of(
        machine: Machine, calibration: Calibration, candidates: Candidates, pose_sets: Sequence[PoseSet], seed: int
    ) -> PoseSelection:
        """Selection by the criterion of a calibration: residual error at the poses of the tasks, or the determinant.

        Parameters
        ----------
        machine : Machine
        calibration : Calibration
        candidates : Candidates
        pose_sets : sequence of PoseSet
            Poses of the tasks.
        seed : int

        Returns
        -------
        PoseSelection
        """
        population = MeasurementPlan(calibration, candidates.joints).population(machine)
        pool = _pool(machine, estimate_of(population, calibration.prior), calibration, pose_sets)
        return PoseSelection(machine, calibration, candidates, population, pool, seed)

    def selected_poses(self, count: int, choice: Criterion, draw: int = 0, starts: int = STARTS) -> NDArray[np.intp]:
        """Indices of the selected candidates.

        Parameters
        ----------
        count : int
            Number of poses.
        choice : Criterion
        draw : int
            Number of the random draw, so that sets differ.
        starts : int
            Starting sets, as in `fedorov_exchange.select_poses`.

        Returns
        -------
        (count,) of int
        """
        rng = np.random.default_rng(np.random.SeedSequence([self.seed, count, draw]))
        number = len(self.candidates.joints)
        if choice == "random":
            return np.sort(rng.permutation(number)[:count])
        return select_poses(self.pool, count, rng, starts)

    def planned_poses(self) -> NDArray[np.intp]:
        """Indices of the candidates selected by the count and the criterion that the calibration states."""
        plan = self.calibration.poses
        return self.selected_poses(plan.count or len(self.candidates.joints), plan.choice)

    def measurement(self, chosen: NDArray[np.intp]) -> MeasurementPlan:
        """Measurement of the calibration at some of the candidates."""
        return MeasurementPlan(self.calibration, self.candidates.joints[chosen])


def _pool(machine: Machine, estimate: Estimate, calibration: Calibration, pose_sets: Sequence[PoseSet]) -> Pool:
    """Whitened Jacobians of all candidate poses, with the criterion by which sets of them are compared."""
    linear, root = estimate.linear, estimate.parameter_root
    unidentified_gain = linear.gain - estimate.jacobian @ estimate.parameter_sensitivity
    poses = len(estimate.jacobian) // 3
    whitened = np.empty((poses, 3, root.shape[1]))
    for n in range(poses):
        rows = slice(3 * n, 3 * n + 3)
        scatter = (
            estimate.noise[rows, rows] + unidentified_gain[rows] @ linear.prior_covariance @ unidentified_gain[rows].T
        )
        whitened[n] = np.linalg.inv(np.linalg.cholesky(scatter)) @ estimate.jacobian[rows] @ root
    prior_information = np.eye(root.shape[1])
    if not estimate.uses_prior:
        spread = estimate.spread / estimate.scale
        prior_information = np.diag((WEAK_PRIOR * np.where(spread > 0.0, spread, 1.0)) ** -2.0)
    if calibration.poses.choice == "determinant":
        return Pool(whitened, prior_information)
    controlled = estimate.controller_numbers
    weight = np.zeros((root.shape[1],) * 2)
    for poses_of_task in pose_sets:
        task_jacobian = (
            jacobian_of(machine, poses_of_task.configurations, estimate.corrected).reshape(-1, len(controlled))
            @ root[controlled]
        )
        weight += task_jacobian.T @ task_jacobian / len(poses_of_task.names) / len(pose_sets)
    return Pool(whitened, prior_information, weight)


def planned_measurement(scenario: Scenario, calibration: Calibration, pose_sets: Sequence[PoseSet]) -> MeasurementPlan:
    """Measurement at the poses selected as the calibration states.

    Parameters
    ----------
    scenario : Scenario
    calibration : Calibration
    pose_sets : sequence of PoseSet
        Poses of the tasks of the scenario, in their order.

    Returns
    -------
    MeasurementPlan

    Raises
    ------
    InputError
        As `candidates_of`.
    """
    candidates = candidates_of(scenario, calibration, pose_sets)
    count = calibration.poses.count
    if count is None or count >= len(candidates.joints):
        return MeasurementPlan(calibration, candidates.joints)
    selection = PoseSelection.of(scenario.machine, calibration, candidates, pose_sets, scenario.plan.seed)
    return selection.measurement(selection.planned_poses())
