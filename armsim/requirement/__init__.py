"""What is required, criterion by criterion, and what a sample says of it: met, not resolved, or not met."""

from armsim.requirement.judgement import Judgement, combined, fails, reasons, share_digits
from armsim.requirement.state import ORDER, State, Verdict, state_of, worst_of

__all__ = [
    "ORDER",
    "Judgement",
    "State",
    "Verdict",
    "combined",
    "fails",
    "reasons",
    "share_digits",
    "state_of",
    "worst_of",
]
