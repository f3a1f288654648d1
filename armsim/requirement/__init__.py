"""Requirement and judgement: whether a sample meets each criterion, or does not resolve it."""

from armsim.requirement.judgement import (
    Judgement,
    Quantity,
    combined,
    deciding,
    fails,
    reasons,
    share_digits,
    show_change,
    show_quantity,
)
from armsim.requirement.state import ORDER, State, Verdict, state_of, worst_of

__all__ = [
    "ORDER", "Judgement", "Quantity", "State", "Verdict", "combined", "deciding", "fails", "reasons", "share_digits",
    "show_change", "show_quantity", "state_of", "worst_of",
]  # fmt: skip
