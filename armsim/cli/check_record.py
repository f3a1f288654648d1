"""What `armsim check` tells of a document, as plain values for JSON. SI units."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from armsim.model.encoder import Encoder
    from armsim.scenario import Scenario


def scenario_record(scenario: Scenario) -> dict[str, Any]:
    """Notes, prices, budgets, assumed values, motion, limits of operation and named poses of a scenario."""
    from armsim.model.assumptions import assumptions
    from armsim.sampling.joint_budgets import joint_budgets, link_budget
    from armsim.sampling.operation_limits import limits_of
    from armsim.sampling.speed_ripple import motions
    from armsim.tasks.named_poses import fastest

    machine, plan = scenario.machine, scenario.plan
    budgets = joint_budgets(machine, plan.seed, fastest(machine.arm, scenario.tasks))
    moving = motions(machine, scenario.motion, plan.seed)
    poses: dict[str, list[dict[str, Any]]] = {}
    for task, pose in named_poses(scenario):
        poses.setdefault(task, []).append(pose)
    out: dict[str, Any] = {
        "kind": "scenario",
        "name": scenario.name,
        "notes": list(scenario.notes),
        "price": machine.price,
        "prices": {joint.name: joint.price for joint in machine.joints},
        "joints": {name: asdict(budget) for name, budget in budgets.items()},
        "links": [asdict(term) for term in link_budget(machine)],
        "assumptions": [asdict(assumption) for assumption in assumptions(machine)],
        "motion": {name: asdict(own) for name, own in moving.items()},
        "operation": [asdict(own) for own in limits_of(machine, plan)],
        "poses": poses,
    }
    record: dict[str, Any] = _finite(out)
    return record


def named_poses(scenario: Scenario) -> Iterator[tuple[str, dict[str, Any]]]:
    """Task, and name, position [m], turns [rad] and joints [rad or m] of every named pose, or why it is not reached."""
    from armsim.tasks import Poses, pose_cache
    from armsim.tasks.base import turns_of

    arm = scenario.machine.arm
    for task in scenario.tasks:
        if not isinstance(task, Poses):
            continue
        found = pose_cache.poses_of(arm, task)
        joints = found.configurations.joints
        for name, tool, q in zip(found.names, arm.postures(joints).tool, joints, strict=True):
            turns = list(turns_of(tool[:3, :3]))
            yield task.name, {"name": name, "position": tool[:3, 3].tolist(), "turns": turns, "joints": q.tolist()}
        for lost in found.unreachable:
            yield task.name, {"name": lost.name, "position": list(lost.position), "not_reached": lost.reason}


def encoder_record(encoder: Encoder) -> dict[str, Any]:
    """How the data sheet of an encoder was read, and the errors that it makes."""
    from armsim.report.sheet_reading import SPEED, errors, not_stated

    names = ("cause", "life", "shape", "std", "limit", "from")
    return {
        "kind": "encoder",
        "name": encoder.name,
        "price": encoder.price,
        "read": [own._asdict() for own in encoder.readings],
        "speed": SPEED[encoder.rotary][0],
        "errors": [dict(zip(names, row, strict=True)) for row in errors(encoder)],
        "not_stated": not_stated(encoder),
    }


def _finite(value: Any) -> Any:
    """Plain values with null in the place of numbers that JSON does not have."""
    if isinstance(value, dict):
        return {key: _finite(own) for key, own in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(own) for own in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
