"""Requirement and judgement: whether a sample meets each criterion, or does not resolve it."""

from armsim.requirement.judgement import (
    Judgement,
    Quantity,
    deciding_judgement,
    failed_criteria,
    overall_verdict,
    reasons,
    share_digits,
    show_change,
    show_quantity,
)
from armsim.requirement.state import FROM_BEST_TO_WORST, State, Verdict, state_of, worst_of

__all__ = [
    "FROM_BEST_TO_WORST",
    "Judgement",
    "Quantity",
    "State",
    "Verdict",
    "deciding_judgement",
    "failed_criteria",
    "overall_verdict",
    "reasons",
    "share_digits",
    "show_change",
    "show_quantity",
    "state_of",
    "worst_of",
]  # fmt: skip
