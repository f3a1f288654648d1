"""Tables of the velocity ripple of the joints."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from armsim.formatting import show_joint, show_speed, significant
from armsim.report.document import Block, Section, Text
from armsim.report.frame import Column, Frame, quoted, shares, words
from armsim.results import JointMotion, Result

RIPPLE_DECIMALS = 3
"""Decimals of a ripple in per cent of the speed."""
RIPPLES = (
    "speed by one step of the position", "the same after the filter", "noise of the speed", "ripple, 95 % of arms",
    "ripple and noise", "largest ripple",
)  # fmt: skip
"""Columns of the first table of the section; a second one has the others, since a page is not wide enough for all."""
ABOUT = (
    "At a steady speed, as seen by the sensor that closes the speed loop. Noise: standard "
    "deviation from rounding and noise. Ripple: waves of "
    "the sensor and its mounting, rms over the speed; a drive that follows the reading moves by as much. The "
    "drive, its gear and its load are not included. From the slowest smooth speed on, ripple and noise stay below "
    "the stated share of the speed."
)


def motion_frame(motion: Mapping[str, JointMotion]) -> Frame:
    """Table of every joint with a stated speed; in files in rad/s or m/s."""
    rows = list(motion.values())

    def speeds(name: str, values: Sequence[float | None]) -> Column:
        texts = [
            "none" if value is None else show_speed(value, row.unit) for value, row in zip(values, rows, strict=True)
        ]
        return quoted(name, values, texts)

    signals = [_shaft(row.shaft_speed, row.unit) if _limits_shaft(row) else _frequency(row.frequency) for row in rows]
    return Frame(
        (
            words("joint", motion),
            speeds("speed", [row.speed for row in rows]),
            quoted("signal frequency or speed of the shaft", [row.frequency for row in rows], signals),
            words("limit of the sensor", [_limit(row) for row in rows]),
            speeds("speed by one step of the position", [row.step for row in rows]),
            speeds("the same after the filter", [row.step_filtered for row in rows]),
            speeds("noise of the speed", [row.noise for row in rows]),
            shares("ripple, 95 % of arms", [row.ripple_p95 for row in rows], decimals=RIPPLE_DECIMALS),
            shares("ripple and noise", [row.smoothness for row in rows], decimals=RIPPLE_DECIMALS),
            words("largest ripple", [_wave(row) for row in rows]),
            speeds("slowest smooth speed", [row.slowest for row in rows]),
            quoted(
                "position error by latency", [row.lag for row in rows], [show_joint(row.lag, row.unit) for row in rows]
            ),
        ),
        "velocity ripple of the joints at their stated speeds",
    )


def _limits_shaft(row: JointMotion) -> bool:
    """Whether the sensor has a limit of the speed of its shaft alone, none of its signals."""
    return row.frequency_limit is None and row.shaft_speed_limit is not None


def _limit(row: JointMotion) -> str:
    if row.frequency_limit is not None:
        return _frequency(row.frequency_limit)
    return "–" if row.shaft_speed_limit is None else _shaft(row.shaft_speed_limit, row.unit)


def _wave(row: JointMotion) -> str:
    if row.largest is None:
        return "none"
    return (
        f"{row.largest.cause}, {show_speed(row.largest.amplitude, row.unit)} at {significant(row.largest.frequency)} Hz"
    )


def _frequency(value: float) -> str:
    return f"{significant(value / 1e3)} kHz" if value >= 1e3 else f"{significant(value)} Hz"


def _shaft(value: float, unit: str) -> str:
    return f"{significant(value * 30 / 3.141592653589793)} rpm" if unit == "rad" else f"{significant(1e3 * value)} mm/s"


def motion_section(result: Result) -> tuple[Section, ...]:
    """Section on velocity ripple; none if no speeds are stated."""
    if not result.motion:
        return ()
    frame = motion_frame(result.motion)
    others = [column.name for column in frame.columns[1:] if column.name not in RIPPLES]
    limits = replace(frame.without(*RIPPLES), title="the sensors at these speeds")
    ripples = frame.without(*others).merged()
    blocks: tuple[Block, ...] = (Text(ABOUT, "soft"), ripples.table(), limits.merged().table())
    return (Section("Velocity ripple of the joints", "motion", blocks),)
