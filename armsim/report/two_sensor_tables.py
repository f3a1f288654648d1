"""Tables of the joints with two sensors: sensor that determines the position, difference of the readings."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from armsim.formatting import show, show_joint, show_speed, significant
from armsim.physics.sensor_difference import ALARM_DEVIATIONS, DETECTION_DEVIATIONS
from armsim.report.document import Block, Section, Text
from armsim.report.frame import Column, Frame, quoted, words
from armsim.results import Result, TwoSensors
from armsim.results.joints import STATES

ABOUT = (
    "The sensor on the joint closes the position loop, the one on the motor the speed loop. At rest and in slow "
    "motion the position is as good as the sensor on the joint, and the gear does not matter. Motion above the "
    "bandwidth of the position loop has all errors of the sensor on the motor and of the gear. Errors are root "
    "mean squares over arms and the whole travel, at the tool by the lever arm."
)
ABOUT_DIFFERENCE = (
    "The difference of the two readings at rest, motor over ratio less joint, shows the error of the gear without "
    "a further instrument. Both are set to zero in the middle of the travel, in the mean of both directions. Lost "
    "motion is the step between the directions, wind-up follows the load, a slip of a coupling, a belt or a count "
    f"is a lasting offset. Lost motion: the alarm is set to {ALARM_DEVIATIONS:g} standard deviations of the width "
    "that one reversal measures. It is false once in 740 reversals; a growth of "
    f"{ALARM_DEVIATIONS + DETECTION_DEVIATIONS:.3g} of them is detected in 95 of 100. Slip: the alarm is set to "
    f"{ALARM_DEVIATIONS:g} standard deviations of a reading beyond what 95 % of fault-free arms reach in any posture; "
    "a slip of twice that is detected in every posture (common practice, "
    "no source). An arm compared with its own earlier readings at the same place shows smaller faults. Not "
    "included: errors beyond the sensor on the joint, such as bearings and links that bend."
)


DIFFERENCE = "difference of the two readings"


class Figure(NamedTuple):
    """Row of the table: its place among those of all joints, what, from which sensor or comparison, at the joint, its
    repeatability part, at the tool."""

    rank: int
    what: str
    source: str
    at_joint: float | None = None
    repeatability: float | None = None
    at_tool: float | None = None


def two_sensors_frame(joints: Mapping[str, TwoSensors]) -> Frame:
    """Table of every joint with two sensors: figure by figure, a row for all joints where it is the same."""
    rows = [(name, pair.unit, figure) for name, pair in joints.items() for figure in _figures(pair)]
    rows.sort(key=lambda row: row[2].rank)

    def sizes(name: str, values: list[float | None]) -> Column:
        return quoted(name, values, [_size(value, unit) for value, unit in zip(values, units, strict=True)])

    units = [unit for _, unit, _ in rows]
    frame = Frame(
        (
            words("joint", [name for name, *_ in rows]),
            words("quantity", [figure.what for *_, figure in rows]),
            words("sensor or condition", [figure.source for *_, figure in rows]),
            sizes("at the joint", [figure.at_joint for *_, figure in rows]),
            sizes("repeatability part", [figure.repeatability for *_, figure in rows]),
            quoted("at the tool", [row.at_tool for *_, row in rows], [show(row.at_tool) for *_, row in rows]),
        ),
        "joints with two sensors, one on the motor and one on the joint",
    )
    return frame.merged()


def _size(value: float | None, unit: str) -> str:
    """Size at a joint; one of a degree and more in degrees."""
    large = value is not None and unit == "rad" and abs(value) >= math.radians(1.0)
    return f"{significant(math.degrees(value or 0.0))} deg" if large else show_joint(value, unit)


def _figures(pair: TwoSensors) -> Iterator[Figure]:
    difference = pair.difference
    yield Figure(0, "sensor that closes the position loop", pair.position_sensor)
    yield Figure(1, "sensor that closes the speed loop", pair.speed_sensor)
    for source in pair.sources:
        speed = f" at {show_speed(source.speed, pair.unit)}" if source.state == "moving" else ""
        averaged = f" over {source.readings} readings" if source.readings > 1 else ""
        rank, description = 2 + STATES.index(source.state), f"position error, {source.state}{averaged}{speed}"
        yield Figure(rank, description, source.source, source.rms, source.rms_repeatability, source.at_tool)
    after = 2 + len(STATES)
    yield Figure(after, f"{DIFFERENCE}: step at a reversal", "lost motion and hysteresis", difference.width)
    yield Figure(after + 1, f"{DIFFERENCE}: range over the travel", "95 % of fault-free arms", difference.range_p95)
    yield Figure(after + 2, f"{DIFFERENCE}: scatter", "one reading", difference.scatter)
    yield Figure(
        after + 3, "smallest growth of lost motion that is detected", "from one reversal", difference.least_growth
    )
    yield Figure(after + 4, "smallest slip that is detected", "compared with fault-free arms", difference.least_slip)
    if difference.motor_turn is not None:
        shows = "detectable" if difference.motor_turn_shows else "not detectable"
        yield Figure(after + 5, "slip of one turn of the motor", shows, difference.motor_turn)


def two_sensors_section(result: Result) -> tuple[Section, ...]:
    """Section on the joints with two sensors; none if there are none."""
    if not result.two_sensors:
        return ()
    table = two_sensors_frame(result.two_sensors).table()
    blocks: tuple[Block, ...] = (Text(ABOUT, "soft"), table, Text(ABOUT_DIFFERENCE, "soft"))
    return (Section("Joints with two sensors", "two-sensors", blocks),)
