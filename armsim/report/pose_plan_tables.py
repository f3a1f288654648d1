"""Tables of a planned measurement: number of poses, and the poses in their order."""

from __future__ import annotations

import math
from collections.abc import Sequence

from armsim.decide.calibration_study import Calibrated
from armsim.formatting import Unit
from armsim.model.kinematics import ArmJoint
from armsim.report.frame import Column, Frame, comparable_lengths, unitless, words


def curve_frame(calibrated: Calibrated) -> Frame:
    """Table of the residual error against the number of poses."""
    rows = calibrated.curve
    sizes = comparable_lengths([
        ("chosen", [row.chosen for row in rows], [row.chosen_arms for row in rows]),
        ("at random", [row.random for row in rows], [row.random_sets for row in rows]),
    ])  # fmt: skip
    note = "in brackets 5 to 95 % of arms, and of sets of poses"
    return Frame(
        (unitless("poses", [row.poses for row in rows]), *sizes), f"error left against the number of poses; {note}"
    )


def pose_frame(calibrated: Calibrated, joints: Sequence[ArmJoint]) -> Frame:
    """Table of the measured poses, ordered for short moves."""
    columns = []
    for n, joint in enumerate(joints):
        unit = Unit("deg", 180.0 / math.pi) if joint.revolute else Unit("mm", 1e3)
        values = tuple(row.joints[n] for row in calibrated.poses)
        columns.append(Column(joint.name, values, None, unit, 2, unit))
    moves = [row.move for row in calibrated.poses]
    if any(moves):
        columns.append(unitless("move [s]", moves, "display", decimals=1))
    return Frame((words("pose", [row.name for row in calibrated.poses]), *columns), _session(calibrated))


def _session(calibrated: Calibrated) -> str:
    """Numbers of selected and of candidate poses, and duration of the moves."""
    sight = (
        f" in sight of the instrument, of {calibrated.offered}" if calibrated.offered > calibrated.candidates else ""
    )
    extent = f"{len(calibrated.poses)} of {calibrated.candidates} candidates{sight}, in an order of short moves"
    if calibrated.arms:
        extent = f"{len(calibrated.poses)} poses of {calibrated.arms[0].name}, in the order of its file"
    total = sum(row.move or 0.0 for row in calibrated.poses)
    return f"{extent}: {total:.0f} s without readings, every joint at its speed" if total else extent
