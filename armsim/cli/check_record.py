"""JSON records of `armsim check`, in SI units."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict
from functools import reduce
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from armsim.model.encoder import Encoder, Reading
    from armsim.scenario import Scenario


def scenario_record(scenario: Scenario) -> dict[str, Any]:
    """Record of a scenario: notes, prices, budgets, assumed values, motion, limits of operation, joints
    with two sensors, named poses."""
    from armsim.model.assumptions import assumptions
    from armsim.sampling.joint_budgets import joint_budgets, link_budget
    from armsim.sampling.operation_limits import limits_of
    from armsim.sampling.sensor_pairs import two_sensors
    from armsim.sampling.speed_ripple import motions
    from armsim.tasks.named_poses import fastest

    machine, plan = scenario.machine, scenario.plan
    speeds = fastest(machine.arm, scenario.tasks)
    budgets = joint_budgets(machine, plan.seed, speeds)
    joint_motions = motions(machine, scenario.motion, plan.seed)
    out: dict[str, Any] = {
        "kind": "scenario",
        "name": scenario.name,
        "notes": list(scenario.notes),
        "price": machine.price,
        "prices": {joint.name: joint.price for joint in machine.joints},
        "joints": {name: asdict(budget) for name, budget in budgets.items()},
        "links": [asdict(term) for term in link_budget(machine)],
        "assumptions": [asdict(assumption) for assumption in assumptions(machine)],
        "motion": {name: asdict(motion) for name, motion in joint_motions.items()},
        "operation": [asdict(limits) for limits in limits_of(machine, plan)],
        "two_sensors": {name: asdict(joint) for name, joint in two_sensors(machine, plan.seed, speeds).items()},
        "poses": poses_of_tasks(scenario),
    }
    record: dict[str, Any] = _finite(out)
    return record


def poses_of_tasks(scenario: Scenario) -> dict[str, list[dict[str, Any]]]:
    """Records of the named poses of every task that has some."""
    out: dict[str, list[dict[str, Any]]] = {}
    for task, pose in _named_poses(scenario):
        out.setdefault(task, []).append(pose)
    return out


def _named_poses(scenario: Scenario) -> Iterator[tuple[str, dict[str, Any]]]:
    """Iterate over named poses: task; name, position [m], turns [rad], joints [rad or m], or why it is not reached."""
    from armsim.model.kinematics import roll_pitch_yaw
    from armsim.tasks import Poses, pose_cache

    arm = scenario.machine.arm
    for task in scenario.tasks:
        if not isinstance(task, Poses):
            continue
        pose_set = pose_cache.poses_of(arm, task)
        joints = pose_set.configurations.joints
        for name, tool, q in zip(pose_set.names, arm.postures(joints).tool, joints, strict=True):
            turns = list(roll_pitch_yaw(tool))
            yield task.name, {"name": name, "position": tool[:3, 3].tolist(), "turns": turns, "joints": q.tolist()}
        for unreached in pose_set.unreachable:
            yield (
                task.name,
                {"name": unreached.name, "position": list(unreached.position), "not_reached": unreached.reason},
            )


def encoder_record(encoder: Encoder) -> dict[str, Any]:
    """Record of an encoder: how its data sheet was read, and the errors that it makes at the shaft."""
    from armsim.report.sheet_reading import SPEED, absent_causes, stated_terms

    unit = "rad" if encoder.rotary else "m"
    record: dict[str, Any] = _finite(
        {
            "kind": "encoder",
            "name": encoder.name,
            "price": encoder.price,
            "read": [_reading_record(encoder, reading) for reading in encoder.readings],
            "speed": SPEED[encoder.rotary][1],
            "unit": unit,
            "errors": [{**asdict(term), "stated_by": keys} for term, keys in stated_terms(encoder)],
            "not_stated": absent_causes(encoder),
        }
    )
    return record


def _reading_record(encoder: Encoder, reading: Reading) -> dict[str, Any]:
    """Record of a reading in words, with its number in SI: the value, or the root mean square of a tolerance.

    Both are None where the reading is no number of the model.
    """
    from armsim.documents.from_spec import FAMILIES, kinds
    from armsim.documents.units import DIMENSIONS
    from armsim.field_spec import walk
    from armsim.model.encoder import Encoder

    value: Any = None
    unit = ""
    field = next((field for path, field in walk(Encoder) if path == reading.key), None)
    if field is not None and not field.many:
        value = reduce(getattr, reading.key.split("."), encoder)
        value = getattr(value, "spread", value)
        kind = FAMILIES.get(field.key.kind, {}).get(encoder.measures, kinds(field.key))[0]
        unit = DIMENSIONS.get(kind, ("",))[0].replace("one", "")
    rms = getattr(value, "rms", None)
    if not isinstance(value, int | float) or isinstance(value, bool) or not value:
        value = None
    return {
        "key": reading.key,
        "value": value,
        "rms": rms,
        "unit": unit,
        "text": reading.value,
        "origin": reading.how,
        "assumed": reading.assumed,
    }


def _finite(value: Any) -> Any:
    """Replace infinities and nan, which JSON lacks, by None."""
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
