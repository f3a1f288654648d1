"""Points spread over everything that the joints can do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from armsim.arrays import Array
from armsim.field_spec import key
from armsim.model.arm import Arm
from armsim.model.configurations import Configurations
from armsim.tasks.base import Advance, PoseSet, Task, named, quiet
from armsim.tasks.cells import MOST_CELLS

CANDIDATES = 16
"""Joint positions drawn for every point kept, where points are to be even in reach."""
PARTS = 20
"""Cubes along the reach, within which points are counted to be even in reach."""


@dataclass(frozen=True)
class Cloud(Task):
    """Sobol points in the ranges of the joints."""

    kind = "cloud"
    name: str = named()
    points: int = key(..., "count", "how many", least=1, most=MOST_CELLS, why="each is a row of the results")
    uniform: Literal["joints", "reach"] = key(
        "joints", "choice", "even in joint space, where an arm spends its postures, or over what the tool point reaches"
    )

    def find(self, arm: Arm, advance: Advance = quiet) -> PoseSet:
        from scipy.stats import qmc

        wanted = self.points * (CANDIDATES if self.uniform == "reach" else 1)
        power = int(np.ceil(np.log2(max(2, wanted))))
        even = qmc.Sobol(len(arm.joints), scramble=True, rng=np.random.default_rng(1)).random_base2(power)[:wanted]
        joints = arm.lowest + (arm.highest - arm.lowest) * even
        if self.uniform == "reach":
            joints = joints[_even_in_reach(arm.postures(joints).tool[:, :3, 3], arm.reach, self.points)]
        return PoseSet(tuple(f"point {n + 1}" for n in range(len(joints))), Configurations(joints))


def _even_in_reach(tips: Array, reach: float, points: int) -> Array:
    """Numbers of tool points so chosen that every cube of the reach gives as many as the others, while it has them."""
    cube = np.floor(tips / (2 * reach / PARTS)).astype(int)
    _, member = np.unique(cube, axis=0, return_inverse=True)
    member = member.reshape(-1)
    # turn within the own cube: all first ones come before all second ones
    order = np.argsort(member, kind="stable")
    starts = np.searchsorted(member[order], np.arange(member.max() + 1))
    turn = np.empty(len(member), dtype=int)
    turn[order] = np.arange(len(member)) - starts[member[order]]
    # among cubes of the same turn, in no order: the first candidates lie where the arm is most of the time
    mixed = np.random.default_rng(1).permutation(member.max() + 1)
    return np.sort(np.lexsort((mixed[member], turn))[:points])
