"""The limits of operation of the sensors, in tables and words."""

from __future__ import annotations

from collections.abc import Sequence

from armsim.formatting import percent, significant
from armsim.report.document import Block, Cell, Section, Text, table
from armsim.results import OperationLimit

HEADERS = ("joint", "limit", "margin, half of the units", "99 % of the units", "least", "units that fail")
ABOUT = (
    "An absolute reading slips by a whole period when the track that tells the period disagrees with the fine one by "
    "half of it; a sensor on the joint tells the wrong turn of the motor when it, the gear and the sensor there are "
    "off by half a turn. The margin is what is left of that half, in periods or in turns of the motor; waves are taken "
    "as if their peaks met. A unit that has none does not pass."
)


def operation_rows(limits: Sequence[OperationLimit]) -> list[tuple[str, ...]]:
    """Rows of `HEADERS`."""
    rows = []
    for own in limits:
        margins = (significant(value) for value in (own.margin_p50, own.margin_p01, own.margin_least))
        low, high = own.failing_interval
        rows.append((own.joint, own.limit, *margins, f"{percent(own.failing)} ({percent(low)} to {percent(high)})"))
    return rows


def operation_section(limits: Sequence[OperationLimit]) -> Section:
    """The part of a review."""
    rows: list[list[Cell | str]] = []
    for own, (joint, limit, p50, p01, least, failing) in zip(limits, operation_rows(limits), strict=True):
        cells = [Cell(p50, own.margin_p50), Cell(p01, own.margin_p01), Cell(least, own.margin_least)]
        rows.append([joint, limit, *cells, Cell(failing, own.failing)])
    blocks: tuple[Block, ...] = (Text(ABOUT, "soft"), table(HEADERS, rows, words=2))
    return Section("Limits of operation", "operation", blocks)
