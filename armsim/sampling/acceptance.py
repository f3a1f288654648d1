"""Simulated acceptance test of few cycles, compared with the properties of the arm.

A unit is one simulated arm with its own drawn error coefficients.

ISO 9283 lets every pose be visited some thirty times. RP of so few visits scatters by a tenth from test to test, and
the largest over several poses lies above the true RP of the arm. The test is simulated: every unit visits every pose as
often as the test asks for, with random numbers of the test alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.model.configurations import Configurations
from armsim.run_options import CheckStop, never_stop
from armsim.sampling.chunk import RunSpec
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling.random_draws import UNIT_BLOCK
from armsim.sampling.statistics import pose_accuracy, pose_repeatability

MAX_VISITS_AT_ONCE = 1 << 20
"""Visits simulated at a time: 24 MB."""


@dataclass(frozen=True, eq=False)
class AcceptanceTest:
    """AP and RP of every unit, as an acceptance test measures them and in truth.

    Parameters
    ----------
    reported : (2, poses, units) [m]
        AP and RP as the test of few visits reports them.
    attained : (2, poses, units) [m]
        AP and RP of the units in the limit of infinitely many visits.
    """

    reported: Array
    attained: Array

    def passing_and_conforming(
        self, accuracy: float | None, repeatability: float | None
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Units that pass the test at all poses, and units that are within the limits there, shape (units,) each.

        Parameters
        ----------
        accuracy : float, optional
            Limit of AP. [m]
        repeatability : float, optional
            Limit of RP. [m]

        Returns
        -------
        (units,) bool, (units,) bool
        """
        limits = [np.inf if limit is None else limit for limit in (accuracy, repeatability)]
        passed, within_limits = (
            np.all((figures[0] <= limits[0]) & (figures[1] <= limits[1]), axis=0)
            for figures in (self.reported, self.attained)
        )
        return passed, within_limits


def simulate_test(
    spec: RunSpec,
    task: int,
    configurations: Configurations,
    pose_numbers: list[int],
    cycles: int,
    check_stop: CheckStop = never_stop,
) -> AcceptanceTest:
    """Simulate a test of every unit at some poses, with joints at rest.

    Parameters
    ----------
    spec : RunSpec
    task : int
        Key of the random numbers. It differs from the key in the study, so that the test has visits of its own.
    configurations : Configurations
        Joint positions of all poses of the task.
    pose_numbers : list of int
        Numbers of the tested poses.
    cycles : int
        At least 2.
    check_stop : callable
        Called before every pose of every block of units, as `CheckStop`.

    Returns
    -------
    AcceptanceTest

    References
    ----------
    .. [1] ISO 9283:1998 7.2.1, 7.2.2.
    """
    tested = configurations[np.array(pose_numbers, dtype=np.int64)]
    sampler = MachineAtPoses.prepare(spec.machine.evaluate(tested), spec.plan)
    distribution = sampler.visit_distribution()
    reported, attained = (np.empty((2, len(pose_numbers), spec.plan.units)) for _ in range(2))
    block = max(UNIT_BLOCK, min(MAX_VISITS_AT_ONCE // cycles, 8 * UNIT_BLOCK) // UNIT_BLOCK * UNIT_BLOCK)
    for units, coefficients in spec.unit_blocks(block):
        count = units.stop - units.start
        for pose, number in enumerate(tested.numbers.tolist()):
            check_stop()
            displacement, _ = sampler.visit_displacements(pose, number, task, coefficients, units.start, count, cycles)
            reported[0, pose, units] = pose_accuracy(displacement)
            reported[1, pose, units] = pose_repeatability(displacement)
            attained[:, pose, units] = sampler.unit_statistics_at_pose(pose, distribution, coefficients, count)[0][:2]
    return AcceptanceTest(reported, attained)
