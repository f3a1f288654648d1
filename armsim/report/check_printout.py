"""Printout of a checked scenario or encoder: frames and sentences."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from armsim.formatting import percent, show, show_joint, significant
from armsim.inspection.check_records import CheckedScenario, ToolPose
from armsim.inspection.data_sheet import absent_causes
from armsim.model.arm import Arm
from armsim.model.encoder import Encoder
from armsim.report.assumed_values import assumed_frame
from armsim.report.frame import Frame, words
from armsim.report.joint_tables import error_motions_frame, joints_frame, terms_frame
from armsim.report.link_tables import link_printout
from armsim.report.operation_tables import operation_frame
from armsim.report.ripple_tables import motion_frame
from armsim.report.sheet_reading import error_frame, reading_frame
from armsim.report.two_sensor_tables import two_sensors_frame
from armsim.results import JointBudget
from armsim.scenario import Scenario

IN_EACH_JOINT = ("resolution at the joint [bit]", "lever arm", "accuracy part", "repeatability part", "worst case")
"""Columns of the table of joints that the printout of each joint repeats; without them it fits into 80 characters."""
CONTRAST_SHOWN = 0.9995
"""Signal contrast below which the loss is stated: from 0.1 % of noise on."""


def scenario_printout(scenario: Scenario, inspection: CheckedScenario) -> Iterator[Frame | str]:
    """Printout of a scenario: error budgets of joints and links, assumed values, speeds, limits, named poses."""
    machine = scenario.machine
    prices = [joint.price for joint in machine.joints]
    yield joints_frame(inspection.joints, prices, "error budget of every joint").without(*IN_EACH_JOINT)
    for name, budget in inspection.joints.items():
        yield from _joint_printout(name, budget)
    yield from link_printout(machine)
    if inspection.assumptions:
        yield assumed_frame(inspection.assumptions)
    if inspection.motion:
        yield motion_frame(inspection.motion)
    if inspection.operation:
        yield operation_frame(inspection.operation)
    if inspection.two_sensors:
        yield two_sensors_frame(inspection.two_sensors)
    for task, poses in inspection.poses.items():
        yield named_poses_frame(machine.arm, task, poses)


def _joint_printout(name: str, budget: JointBudget) -> Iterator[Frame | str]:
    """Terms of a joint with their totals, and the error motions of its axis."""
    lever = f"{show(budget.lever_arm) if budget.lever_arm else '0 m'}/rad" if budget.unit == "rad" else "1 m/m"
    yield (
        f"{name}: {budget.encoder} ({budget.placement}); resolution {significant(budget.resolution_bits, 4)} bit, "
        f"step {show_joint(budget.step, budget.unit)} at the joint, {show(budget.step * budget.lever_arm)} at the tool "
        f"(lever arm {lever})"
    )
    if budget.contrast < CONTRAST_SHOWN:
        more_noise = percent(1 / budget.contrast - 1, 2)
        yield f"the offsets of the head leave a signal contrast of {percent(budget.contrast)}: {more_noise} more noise"
    yield terms_frame(budget, totals=True)
    for frame in error_motions_frame(budget):
        yield replace(frame, title=f"{name}: error motions of its axis")


def named_poses_frame(arm: Arm, task: str, poses: Sequence[ToolPose]) -> Frame:
    """Table of the named poses of a task: position and orientation of the tool, and joint positions.

    A pose that is not reached has the reason in place of its joint positions.
    """
    rotary = np.array([joint.revolute for joint in arm.joints])

    def joints_of(pose: ToolPose) -> str:
        if pose.joints is None:
            return f"cannot be reached: {pose.not_reached}"
        q = np.array(pose.joints)
        return _listed(np.where(rotary, np.degrees(q), 1e3 * q))

    columns = (
        words("pose", [pose.name for pose in poses]),
        words("x, y, z [mm]", [_listed(1e3 * np.array(pose.position)) for pose in poses]),
        words("roll, pitch, yaw [deg]", [_listed(np.degrees(pose.turns or ())) for pose in poses]),
        words("joints [deg, mm]", [joints_of(pose) for pose in poses]),
    )
    return Frame(columns, f"{task}: tool positions of the named poses")


def _listed(values: Iterable[float]) -> str:
    """Numbers rounded to 0.01, without negative zero."""
    return ", ".join(f"{round(float(value), 2) + 0.0:g}" for value in values)


def encoder_printout(encoder: Encoder) -> Iterator[Frame | str]:
    """Printout of an encoder: how its data sheet was read, the errors that it makes, what it does not state."""
    yield reading_frame(encoder)
    yield error_frame(encoder)
    absent = absent_causes(encoder)
    if absent:
        yield f"not stated, taken as zero: {', '.join(absent)}"
