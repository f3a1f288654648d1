"""The design-review document and the tables beside it."""

from armsim.report.bundle import check_destination, write_bundle
from armsim.report.comparison import COMPARISON, write_comparison

__all__ = ["COMPARISON", "check_destination", "write_bundle", "write_comparison"]
