"""Simulated measurement of the population of a scenario at the poses, visits and noise of a measured arm.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.calibration.reading_conditions import LEVER, Conditions, evaluated_at, rotations_from_points
from armsim.calibration.reading_noise import InstrumentNoise, ReadingNoise, covariance_roots_of
from armsim.model.machine import Machine
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling.random_draws import draw_units
from armsim.sampling.statistics import pose_repeatability
from armsim.sampling_plan import SamplingPlan

VISIT_TASK = 0x7E57
"""Key of the random numbers of simulated measurements, which separates them from those of a study."""


def measured_units(
    machine: Machine,
    joints: Array,
    visits: Sequence[int],
    instrument: InstrumentNoise,
    units: int,
    seed: int,
    conditions: Conditions | None = None,
) -> Iterator[Array]:
    """Simulate the readings of an instrument for units (simulated arms) at every pose, by exact kinematics.

    Yields
    ------
    (units, visits, 3) [m]
        For each group of readings: attained minus commanded position, or rotation times `LEVER`, without thermal growth
        at a known temperature.

    Parameters
    ----------
    machine : Machine
    joints : (M, joints) [rad or m]
    visits : sequence of int
    instrument : InstrumentNoise
    units, seed : int
    conditions : Conditions, optional
    """
    plan = SamplingPlan(units, 2, seed)
    evaluated = evaluated_at(machine, joints, conditions, as_points=True)
    sampler = MachineAtPoses.prepare(evaluated, plan)
    partners = np.arange(len(joints)) if conditions is None else conditions.partners
    ends: list[MachineAtPoses] = []
    if conditions is not None and conditions.oriented.any():
        beyond = (evaluated_at(machine, joints, conditions, True, LEVER * axis) for axis in np.eye(3))
        ends = [MachineAtPoses.prepare(end, plan) for end in beyond]
    coefficients = draw_units(evaluated.terms, plan)
    rng = np.random.default_rng(np.random.SeedSequence([seed, VISIT_TASK]))
    covariance_roots = covariance_roots_of(instrument, len(visits))
    quiet = not any(np.any(root) for root in covariance_roots)
    for pose, count in enumerate(visits):
        number = int(partners[pose])  # of the same visits as the positions
        points = [sampler] if number == pose else [sampler, *ends]
        readings = [
            np.transpose(
                point.visit_displacements(pose, number, VISIT_TASK, coefficients, 0, units, count)[0], (2, 1, 0)
            )
            for point in points
        ]
        read = readings[0] if number == pose else rotations_from_points(evaluated.postures.tool[pose, :3, :3], readings)
        if quiet:
            yield read
        else:
            yield read + np.einsum("uvj,vij->uvi", rng.standard_normal(read.shape), np.broadcast_to(
                covariance_roots[pose], (count, 3, 3)
            ))  # fmt: skip


@dataclass(frozen=True, eq=False)
class SimulatedMeasurements:
    """Statistics of simulated arms, measured as the arm under test.

    Parameters
    ----------
    means : (units, 3 M) [m]
        Mean displacement of every group.
    accuracy, repeatability : (P, units) [m]
        AP and RP of the groups of positions.
    """

    means: Array
    accuracy: Array
    repeatability: Array

    @staticmethod
    def of(
        visits: Iterable[Array],
        projection: Array | None = None,
        noise: ReadingNoise | None = None,
        oriented: Sequence[bool] | None = None,
    ) -> SimulatedMeasurements:
        """Statistics of readings of shape (units, visits, 3), given per group.

        Parameters
        ----------
        visits : iterable of (units, visits, 3) [m]
        projection : (3 M, 3 M), optional
            Projection of displacements that removes the fitted frame and target.
        noise : ReadingNoise, optional
            Noise that weights the readings.
        oriented : (M,) of bool, optional
            Mask of the groups that hold orientations.

        Returns
        -------
        SimulatedMeasurements
        """
        means, repeatability, positions = [], [], []
        for group, readings in enumerate(visits):
            means.append(readings.mean(axis=1) if noise is None else noise.mean(group, readings))
            if oriented is not None and oriented[group]:
                continue
            positions.append(group)
            visited_once = readings.shape[1] == 1  # which tells no scatter
            coordinates = np.transpose(readings, (2, 1, 0))
            repeatability.append(np.zeros(len(readings)) if visited_once else pose_repeatability(coordinates))
        displacements = np.concatenate(means, axis=1)
        if projection is not None:
            displacements = displacements @ projection.T
        accuracy = np.linalg.norm(displacements.reshape(len(displacements), -1, 3)[:, positions], axis=2).T
        return SimulatedMeasurements(displacements, accuracy, np.array(repeatability))
