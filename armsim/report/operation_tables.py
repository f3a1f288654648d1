"""Tables of the operating limits of the sensors."""

from __future__ import annotations

from collections.abc import Sequence

from armsim.formatting import significant
from armsim.report.document import Block, Section, Text
from armsim.report.frame import Column, Frame, quoted, shares, words
from armsim.results import OperationLimit, Result

ABOUT = (
    "An absolute sensor is wrong by a whole period when its period track disagrees with its fine track by half a "
    "period. A sensor on the joint tells the wrong turn of the motor when both sensors and the gear are together "
    "off by half a turn. The margin is what remains of that half, in periods or turns of the motor; waves are "
    "assumed to peak together. An arm without margin does not pass."
)


def operation_frame(limits: Sequence[OperationLimit]) -> Frame:
    """Table of the margin of every operating limit, and the units that violate it."""

    def margins(name: str, values: list[float]) -> Column:
        return quoted(name, values, [significant(value) for value in values])

    return Frame(
        (
            words("joint", [limit.joint for limit in limits]),
            words("limit of operation", [limit.limit for limit in limits]),
            margins("margin, median of arms", [limit.margin_p50 for limit in limits]),
            margins("margin kept by 99 % of arms", [limit.margin_p01 for limit in limits]),
            margins("least margin", [limit.margin_least for limit in limits]),
            shares("arms that fail", [limit.failing for limit in limits], [limit.failing_interval for limit in limits]),
        ),
        "limits of operation: margins in periods, or in turns of the motor",
    )


def operation_section(result: Result) -> tuple[Section, ...]:
    """Section on operating limits; none if no limits are stated."""
    if not result.operation:
        return ()
    blocks: tuple[Block, ...] = (Text(ABOUT, "soft"), operation_frame(result.operation).table())
    return (Section("Limits of operation", "operation", blocks),)
