"""The design-review document and the tables beside it."""

from armsim.report.bundle import check_destination, write_bundle
from armsim.report.comparison import (
    COMPARISON,
    TRADE_OFF,
    WHAT_IF,
    write_comparison,
    write_trade_off,
    write_what_if,
)
from armsim.report.content import Extras

__all__ = [
    "COMPARISON",
    "TRADE_OFF",
    "WHAT_IF",
    "Extras",
    "check_destination",
    "write_bundle",
    "write_comparison",
    "write_trade_off",
    "write_what_if",
]
