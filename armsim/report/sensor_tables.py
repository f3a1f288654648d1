"""The sensors of an arm for the first page: where they sit, what they cost, what their joints and they contribute."""

from __future__ import annotations

from collections.abc import Collection

from armsim.causes import lies_in_sensor
from armsim.formatting import percent, show
from armsim.report.frame import Frame, shares, unitless, words
from armsim.report.verdict import deciding_task, largest_causes
from armsim.requirement.requirement import coverage_of
from armsim.results import Result, TaskResult

NO_GAIN = 1e-3
"""Share of the rms error below which a gain is called none."""
SMALL_GAIN = 0.1
"""Share of the rms error below which better sensors are said to help little."""


def sensors_frame(result: Result) -> Frame:
    """Table of the sensors: joints with equal ones in a row, price, and shares of the mean square error."""
    task = deciding_task(result)
    groups: dict[tuple[str, str, float], list[str]] = {}
    for name, budget in result.joints.items():
        groups.setdefault((budget.encoder, budget.placement, budget.price), []).append(name)
    owners = dict.fromkeys(part.owner for part in task.summary.contributions)
    others = [owner for owner in owners if owner not in result.joints]
    rows: list[tuple[str, str, str, float | None, float, float | None]] = [
        (", ".join(joints), encoder, placement, len(joints) * price, *_shares(task, joints))
        for (encoder, placement, price), joints in groups.items()
    ]
    if others:
        rows.append((", ".join(others), "–", "–", None, _shares(task, others)[0], None))
    rows.append(("all", "", "", result.price, _shares(task, owners)[0], _shares(task, result.joints)[1]))
    names_, encoders, placements, prices, wholes, of_them = zip(*rows, strict=True)
    return Frame(
        (
            words("joint", names_),
            words("sensor", encoders),
            words("placement", placements),
            unitless("price", prices),
            shares("share of the mean square error", list(wholes)),
            shares("of which sensor and mounting", list(of_them)),
        ),
        f"sensors, and their joints' shares over {task.name}",
    )


def _shares(task: TaskResult, owners: Collection[str]) -> tuple[float, float]:
    """Share of some owners in the mean square error over a task, and how much of it is of sensors."""
    parts = [part for part in task.summary.contributions if part.owner in owners]
    return sum(part.share for part in parts), sum(part.share for part in parts if lies_in_sensor(part.cause))


def better_sensors(result: Result) -> str:
    """Sentence on what ideal sensors, ideally mounted, would gain at the worst pose of the deciding task."""
    task = deciding_task(result)
    worst, names = task.worst, task.poses.share_names
    rms = float(task.column("first_order.rms")[worst])
    by_joint = {
        name: [n for n in task.poses.share_indices(name) if lies_in_sensor(names[n][1])] for name in result.joints
    }
    gains = {name: rms - task.poses.rms_without_shares(worst, members) for name, members in by_joint.items()}
    gain = rms - task.poses.rms_without_shares(worst, [n for members in by_joint.values() for n in members])
    others = {cause: share for cause, share in task.summary.causes.items() if not lies_in_sensor(cause) and share > 0.0}
    if rms == 0.0:
        return ""
    if gain < NO_GAIN * rms:
        reason = f": the error comes from {largest_causes(others)}" if others else ""
        return f"No better sensor helps{reason}."
    remainder = f"; the rest comes from other causes: {largest_causes(others)}" if others else ""
    best = max(gains, key=lambda name: gains[name])
    at_one_pose = f", at {best} alone by {show(gains[best])}" if len(gains) > 1 and gains[best] > 0.0 else ""
    little = "Better sensors help little: ideal" if gain < SMALL_GAIN * rms else "Ideal"
    return (
        f"{little} sensors at all joints, ideally mounted, would lower the rms error at the worst pose by {show(gain)} "
        f"({percent(gain / rms, 2)}){at_one_pose}{remainder}."
    )


def each_and_every_pose(result: Result) -> str:
    """Sentence that sets errors at each pose beside arms at all poses at once; empty if there is no yield curve."""
    task, coverage = deciding_task(result), coverage_of(result.requirement)
    curve = task.yield_curve
    position = None if curve is None else curve.position_reaching(coverage)
    if position is None or len(task.poses) < 2:
        return ""
    share, worst = percent(coverage), show(task.summary.at_coverage)
    return (
        f"{task.name}: at each pose {share} of errors lie within {worst}; at every pose at once "
        f"the mean attained point of {share} of the arms (AP) lies within {show(position)}."
    )
