"""The design-review document and the tables beside it."""

from armsim.report.again import Asked, difference, read_manifest
from armsim.report.bundle import CONTENTS, write_bundle
from armsim.report.comparison import (
    COMPARISON,
    TRADE_OFF,
    WHAT_IF,
    write_comparison,
    write_trade_off,
    write_what_if,
)
from armsim.report.content import Extras
from armsim.report.place import check_destination

__all__ = [
    "COMPARISON",
    "CONTENTS",
    "TRADE_OFF",
    "WHAT_IF",
    "Asked",
    "Extras",
    "check_destination",
    "difference",
    "read_manifest",
    "write_bundle",
    "write_comparison",
    "write_trade_off",
    "write_what_if",
]
