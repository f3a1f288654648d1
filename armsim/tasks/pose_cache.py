"""Disk cache of the solved poses of a task, keyed by arm, task and sources of the program."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict
from typing import Any, get_args

import numpy as np

from armsim import disk_cache
from armsim.arrays import Array, tupled
from armsim.model.arm import Arm
from armsim.model.configurations import Configurations, ToolConstraint
from armsim.results import Grid, MapQuantity, Unreachable
from armsim.tasks.base import PointProgress, PoseSet, Task, no_progress
from armsim.version import package_version, source_digest

KIND = "poses"
MOST_FILES = 200
"""Largest number of files in the cache; the least recently used are deleted. A task of 1000 cells takes some 100 kB."""
ARRAYS = ("joints", "speeds", "directions", "tangents", "keys")


def key_of(arm: Arm, task: Task) -> str:
    """Cache key of the poses of a task on an arm: a digest of everything they depend on, the code included."""
    parts = (package_version(), source_digest(), type(task).__name__, repr(task), repr(arm.joints), repr(arm.motions))
    return hashlib.blake2b("\0".join(parts).encode(), digest_size=16).hexdigest()


def poses_of(
    arm: Arm, task: Task, progress: PointProgress = no_progress, in_memory: dict[str, PoseSet] | None = None
) -> PoseSet:
    """Poses of a task on an arm, from ``in_memory``, from the disk cache, or solved and then stored in both."""
    in_memory = {} if in_memory is None else in_memory
    key = key_of(arm, task)
    if key not in in_memory:
        poses = load(key)
        if poses is None:
            poses = task.find(arm, progress)
            save(key, poses)
        in_memory[key] = poses
    return in_memory[key]


def load(key: str) -> PoseSet | None:
    """Poses saved under a key; None if there are none or they are inconsistent."""
    arrays = disk_cache.load(KIND, key)
    if arrays is None:
        return None
    try:
        data = json.loads(bytes(arrays["text"]))
        poses = _pose_set_from(data, {name: arrays.get(name) for name in ARRAYS}, arrays.get("along"))
    except (ValueError, KeyError, TypeError):  # another format
        return None
    return poses if _consistent(poses) else None


def save(key: str, poses: PoseSet) -> None:
    """Save poses under a key; if writing fails, they are solved again next time."""
    grid = None if poses.grid is None else asdict(poses.grid)
    unreachable = [asdict(point) for point in poses.unreachable]
    text = {"names": poses.names, "unreachable": unreachable, "grid": grid, "pairs": poses.pairs, "maps": poses.maps}
    data = json.dumps({**text, "constraints": poses.constraints}, allow_nan=False).encode()
    arrays = {name: getattr(poses.configurations, name) for name in ARRAYS} | {"along": poses.along}
    present: dict[str, Any] = {name: array for name, array in arrays.items() if array is not None}
    disk_cache.save(KIND, key, {"text": np.frombuffer(data, dtype=np.uint8), **present}, MOST_FILES)


def _pose_set_from(data: dict[str, Any], arrays: dict[str, Any], path_position: Any) -> PoseSet:
    grid = data["grid"]
    return PoseSet(
        tuple(data["names"]),
        Configurations(**arrays),
        tuple(Unreachable(p["name"], tupled(p["position"]), p["reason"]) for p in data["unreachable"]),
        None if grid is None else Grid(**{name: tupled(value) for name, value in grid.items()}),
        path_position,
        tupled(data["pairs"]),
        tuple(data["maps"]),
        tuple(data["constraints"]),
    )


def _consistent(poses: PoseSet) -> bool:
    """Whether all arrays have the same number of poses, finite numbers, and accepted words."""
    count, joints = len(poses.names), poses.configurations.joints
    if joints.ndim != 2:
        return False
    per_joint, grid = (count, joints.shape[1]), poses.grid
    numbers = [
        (joints, per_joint),
        (poses.configurations.speeds, per_joint),
        (poses.configurations.directions, per_joint),
        (poses.configurations.tangents, (count, 3)),
        (poses.along, (count,)),
    ]
    keys = poses.configurations.keys
    cells = () if grid is None else grid.pose
    return (
        all(_finite(array, shape) for array, shape in numbers if array is not None)
        and (keys is None or (keys.dtype == np.int64 and keys.shape == (count,)))
        and all(0 <= number < count for pair in poses.pairs for number in pair)
        and len(poses.constraints) in (0, count)
        and set(poses.constraints) <= set(get_args(ToolConstraint))
        and set(poses.maps) <= set(get_args(MapQuantity))
        and all(-1 <= number < count for number in cells)
        and (grid is None or len(cells) == math.prod(len(axis) for axis in grid.centres))
    )


def _finite(array: Array, shape: tuple[int, ...]) -> bool:
    return array.dtype == np.float64 and array.shape == shape and bool(np.isfinite(array).all())
