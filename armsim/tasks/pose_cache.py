"""Poses of tasks on disk: the same arm and task are never searched twice by the same code."""

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
from armsim.model.configurations import Configurations, Held
from armsim.results import Grid, MapOf, Unreachable
from armsim.tasks.base import Advance, PoseSet, Task, quiet
from armsim.version import own_version, source_digest

KIND = "poses"
MOST_FILES = 200
"""Files kept, the latest used: a task of a thousand cells takes some 100 kB."""
ARRAYS = ("joints", "speeds", "directions", "tangents", "keys")


def key_of(arm: Arm, task: Task) -> str:
    """What stands for the poses of a task on an arm: all that they follow from, the code included."""
    parts = (own_version(), source_digest(), type(task).__name__, repr(task), repr(arm.joints), repr(arm.motions))
    return hashlib.blake2b("\0".join(parts).encode(), digest_size=16).hexdigest()


def poses_of(arm: Arm, task: Task, advance: Advance = quiet, known: dict[str, PoseSet] | None = None) -> PoseSet:
    """The poses of a task on an arm: ``known`` ones, those kept, else those looked for, which are then kept."""
    known = {} if known is None else known
    key = key_of(arm, task)
    if key not in known:
        poses = load(key)
        if poses is None:
            poses = task.find(arm, advance)
            save(key, poses)
        known[key] = poses
    return known[key]


def load(key: str) -> PoseSet | None:
    """Poses saved under a key; None where there are none, or they contradict themselves."""
    arrays = disk_cache.load(KIND, key)
    if arrays is None:
        return None
    try:
        data = json.loads(bytes(arrays["text"]))
        poses = _restored(data, {name: arrays.get(name) for name in ARRAYS}, arrays.get("along"))
    except (ValueError, KeyError, TypeError):  # of another kind
        return None
    return poses if _consistent(poses) else None


def save(key: str, poses: PoseSet) -> None:
    """Save poses under a key; where that cannot be done they are looked for again."""
    grid = None if poses.grid is None else asdict(poses.grid)
    lost = [asdict(point) for point in poses.unreachable]
    text = {"names": poses.names, "unreachable": lost, "grid": grid, "pairs": poses.pairs, "maps": poses.maps}
    data = json.dumps({**text, "held": poses.held}, allow_nan=False).encode()
    arrays = {name: getattr(poses.configurations, name) for name in ARRAYS} | {"along": poses.along}
    given: dict[str, Any] = {name: array for name, array in arrays.items() if array is not None}
    disk_cache.save(KIND, key, {"text": np.frombuffer(data, dtype=np.uint8), **given}, MOST_FILES)


def _restored(data: dict[str, Any], arrays: dict[str, Any], along: Any) -> PoseSet:
    grid = data["grid"]
    return PoseSet(
        tuple(data["names"]),
        Configurations(**arrays),
        tuple(Unreachable(p["name"], tupled(p["position"]), p["reason"]) for p in data["unreachable"]),
        None if grid is None else Grid(**{name: tupled(value) for name, value in grid.items()}),
        along,
        tupled(data["pairs"]),
        tuple(data["maps"]),
        tuple(data["held"]),
    )


def _consistent(poses: PoseSet) -> bool:
    """Whether all parts speak of the same poses, in finite numbers and in words that are known."""
    count, joints = len(poses.names), poses.configurations.joints
    if joints.ndim != 2:
        return False
    moves, grid = (count, joints.shape[1]), poses.grid
    numbers = [
        (joints, moves),
        (poses.configurations.speeds, moves),
        (poses.configurations.directions, moves),
        (poses.configurations.tangents, (count, 3)),
        (poses.along, (count,)),
    ]
    keys = poses.configurations.keys
    cells = () if grid is None else grid.pose
    return (
        all(_finite(array, shape) for array, shape in numbers if array is not None)
        and (keys is None or (keys.dtype == np.int64 and keys.shape == (count,)))
        and all(0 <= number < count for pair in poses.pairs for number in pair)
        and len(poses.held) in (0, count)
        and set(poses.held) <= set(get_args(Held))
        and set(poses.maps) <= set(get_args(MapOf))
        and all(-1 <= number < count for number in cells)
        and (grid is None or len(cells) == math.prod(len(axis) for axis in grid.centres))
    )


def _finite(array: Array, shape: tuple[int, ...]) -> bool:
    return array.dtype == np.float64 and array.shape == shape and bool(np.isfinite(array).all())
