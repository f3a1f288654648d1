"""A cloud of postures over the ranges of the joints, by a Sobol sequence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from armsim.arrays import Array
from armsim.field_spec import key
from armsim.model.arm import Arm
from armsim.model.configurations import Configurations
from armsim.tasks.base import PointProgress, PoseSet, Task, name_field, no_progress
from armsim.tasks.cells import MOST_CELLS

CANDIDATES = 16
"""Candidate postures per selected point, for points uniform over the reach."""
CUBES_ALONG_REACH = 20
"""Cubes along the reach; points uniform over the reach are selected evenly from them."""


@dataclass(frozen=True)
class Cloud(Task):
    """Sobol points in the ranges of the joints."""

    kind = "cloud"
    name: str = name_field()
    points: int = key(..., "count", "number of points", least=1, most=MOST_CELLS, why="each is a row of the results")
    uniform: Literal["joints", "reach"] = key(
        "joints", "choice", "uniform in joint space, as postures are distributed, or over the reach"
    )

    def find(self, arm: Arm, progress: PointProgress = no_progress) -> PoseSet:
        from scipy.stats import qmc

        count = self.points * (CANDIDATES if self.uniform == "reach" else 1)
        power = int(np.ceil(np.log2(max(2, count))))
        samples = qmc.Sobol(len(arm.joints), scramble=True, rng=np.random.default_rng(1)).random_base2(power)[:count]
        joints = arm.finite_lower + (arm.finite_upper - arm.finite_lower) * samples
        if self.uniform == "reach":
            joints = joints[_even_in_reach(arm.postures(joints).tool[:, :3, 3], arm.reach, self.points)]
        return PoseSet(tuple(f"point {n + 1}" for n in range(len(joints))), Configurations(joints))


def _even_in_reach(tips: Array, reach: float, points: int) -> Array:
    """Indices of tool points selected evenly over the cubes of the reach, ascending, shape (points,).

    Each cube contributes as many points as the others, as long as it has candidates.
    """
    cube = np.floor(tips / (2 * reach / CUBES_ALONG_REACH)).astype(int)
    _, cube_index = np.unique(cube, axis=0, return_inverse=True)
    cube_index = cube_index.reshape(-1)
    # rank within its cube: all first candidates come before all second ones
    order = np.argsort(cube_index, kind="stable")
    starts = np.searchsorted(cube_index[order], np.arange(cube_index.max() + 1))
    rank = np.empty(len(cube_index), dtype=int)
    rank[order] = np.arange(len(cube_index)) - starts[cube_index[order]]
    # cubes of equal rank in random order: the first candidates lie where most postures are
    mixed = np.random.default_rng(1).permutation(cube_index.max() + 1)
    return np.sort(np.lexsort((mixed[cube_index], rank))[:points])
