"""The design-review document and the tables beside it."""

from armsim.report.again import Asked, difference, read_manifest
from armsim.report.bundle import write_bundle
from armsim.report.comparison import (
    write_comparison,
    write_trade_off,
    write_what_if,
)
from armsim.report.content import Extras
from armsim.report.place import check_destination

__all__ = [
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
