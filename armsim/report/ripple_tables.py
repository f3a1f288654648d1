"""How smoothly the joints move, in tables and words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from armsim.formatting import percent, show_joint, show_speed, significant
from armsim.report.document import Block, Cell, ReviewDocument, Section, Text, in_rows, table
from armsim.report.operation_tables import operation_section
from armsim.report.pictures import Pictures
from armsim.results import JointMotion, Result

HEADERS = (
    "joint", "speed", "signals", "limit", "speed step", "after the filter", "noise", "ripple, 95 % of units",
    "ripple and noise", "largest wave", "slowest smooth speed", "lag",
)  # fmt: skip
ABOUT = (
    "At a steady speed, as the sensor that closes the speed loop tells it: the frequency of its signals against the "
    "limit of its data sheet; the change of the speed by one step of the position, as it is and after the filter; the "
    "standard deviation from rounding and noise; the ripple of the waves of the sensor and its mounting, rms over the "
    "speed. A drive that follows the reading moves by as much; the drive itself, its gear and its load are not in it. "
    "The slowest smooth speed is that from which on ripple and noise stay below the stated share of the speed."
)


def motion_rows(motion: Mapping[str, JointMotion]) -> list[tuple[str, ...]]:
    """Rows of `HEADERS`."""
    return [(name, *_row(own)) for name, own in motion.items()]


def _row(own: JointMotion) -> tuple[str, ...]:
    limit = "–"
    if own.frequency_limit is not None:
        limit = _frequency(own.frequency_limit)
    elif own.shaft_speed_limit is not None:
        limit = _shaft(own.shaft_speed_limit, own.unit)
    signals = _shaft(own.shaft_speed, own.unit) if limit.endswith(("rpm", "mm/s")) else _frequency(own.frequency)
    wave = "none"
    if own.largest is not None:
        amplitude, frequency = show_speed(own.largest.amplitude, own.unit), significant(own.largest.frequency)
        wave = f"{own.largest.cause}, {amplitude} at {frequency} Hz"
    slowest = "none" if own.slowest is None else show_speed(own.slowest, own.unit)
    sizes = (show_speed(value, own.unit) for value in (own.step, own.step_filtered, own.noise))
    return (
        show_speed(own.speed, own.unit), signals, limit, *sizes, percent(own.ripple_p95), percent(own.smoothness), wave,
        slowest, show_joint(own.lag, own.unit),
    )  # fmt: skip


def _frequency(value: float) -> str:
    return f"{significant(value / 1e3)} kHz" if value >= 1e3 else f"{significant(value)} Hz"


def _shaft(value: float, unit: str) -> str:
    return f"{significant(value * 30 / 3.141592653589793)} rpm" if unit == "rad" else f"{significant(1e3 * value)} mm/s"


def with_motion(document: ReviewDocument, result: Result, pictures: Pictures) -> ReviewDocument:
    """A review with the parts on motion and limits of operation behind that on the population, where there are any."""
    more = [motion_section(result, pictures)] if result.motion else []
    more += [operation_section(result.operation)] if result.operation else []
    at = 1 + [section.anchor for section in document.sections].index("population")
    return replace(document, sections=(*document.sections[:at], *more, *document.sections[at:]))


def motion_section(result: Result, pictures: Pictures) -> Section:
    """The part of a review."""
    rows: list[list[Cell | str]] = []
    for (name, *cells), own in zip(motion_rows(result.motion), result.motion.values(), strict=True):
        numbers = (
            own.speed,
            own.frequency,
            None,
            own.step,
            own.step_filtered,
            own.noise,
            own.ripple_p95,
            own.smoothness,
        )
        first = [Cell(text, value) for text, value in zip(cells, numbers, strict=False)]
        rows.append([name, *first, *cells[len(numbers) :]])
    blocks: list[Block] = [Text(ABOUT, "soft"), table(HEADERS, rows)]
    return Section("How smoothly the joints move", "motion", (*blocks, *in_rows(pictures.get("motion", ()))))
