"""Poses of tasks on disk: the same arm and task are never searched twice by the same code."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from typing import Any, get_args

import numpy as np

from armsim import disk_cache
from armsim.arrays import tupled
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
    """Poses kept under a key; None where there are none, or not whole."""
    held = disk_cache.load(KIND, key)
    try:
        if held is None:
            return None
        data = json.loads(bytes(held["text"]))
        return _restored(data, {name: held.get(name) for name in ARRAYS}, held.get("along"))
    except (ValueError, KeyError, TypeError):  # of another kind
        return None


def save(key: str, poses: PoseSet) -> None:
    """Keep poses under a key; where that cannot be done they are looked for again."""
    grid = None if poses.grid is None else asdict(poses.grid)
    lost = [asdict(point) for point in poses.unreachable]
    text = {"names": poses.names, "unreachable": lost, "grid": grid, "pairs": poses.pairs, "maps": poses.maps}
    data = json.dumps({**text, "held": poses.held}, allow_nan=False).encode()
    arrays = {name: getattr(poses.configurations, name) for name in ARRAYS} | {"along": poses.along}
    given: dict[str, Any] = {name: array for name, array in arrays.items() if array is not None}
    disk_cache.save(KIND, key, {"text": np.frombuffer(data, dtype=np.uint8), **given}, MOST_FILES)


def _restored(data: dict[str, Any], arrays: dict[str, Any], along: Any) -> PoseSet:
    grid = data["grid"]
    if any(held not in get_args(Held) for held in data["held"]) or any(m not in get_args(MapOf) for m in data["maps"]):
        raise ValueError("of another kind")
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
