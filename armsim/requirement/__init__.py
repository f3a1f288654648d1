"""What is required, criterion by criterion, and what a sample says of it: met, not resolved, or not met."""

from armsim.requirement.judgement import Judgement, Quantity, combined, fails, reasons, share_digits, show_quantity
from armsim.requirement.state import ORDER, State, Verdict, state_of, worst_of

__all__ = [
    "ORDER", "Judgement", "Quantity", "State", "Verdict", "combined", "fails", "reasons", "share_digits",
    "show_quantity", "state_of", "worst_of",
]  # fmt: skip
