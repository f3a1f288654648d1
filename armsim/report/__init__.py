"""The design-review document and the tables beside it."""

from armsim.report.comparison import (
    write_comparison,
    write_trade_off,
    write_what_if,
)
from armsim.report.output_folder import check_destination
from armsim.report.reproduce import RunRequest, difference, read_manifest
from armsim.report.run_folder import write_bundle
from armsim.report.run_review import Extras

__all__ = [
    "Extras",
    "RunRequest",
    "check_destination",
    "difference",
    "read_manifest",
    "write_bundle",
    "write_comparison",
    "write_trade_off",
    "write_what_if",
]
