"""What a run leaves behind: results, tables, figures, the page for the review, and how to reproduce it."""

from armsim.report.bundle import check_destination, write_bundle

__all__ = ["check_destination", "write_bundle"]
