"""The design-review document and the tables beside it."""

from armsim.report.bundle import check_destination, write_bundle
from armsim.report.comparison import COMPARISON, WHAT_IF, write_comparison, write_what_if

__all__ = ["COMPARISON", "WHAT_IF", "check_destination", "write_bundle", "write_comparison", "write_what_if"]
