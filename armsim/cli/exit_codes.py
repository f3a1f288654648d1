"""Exit codes of the commands."""

from __future__ import annotations

DONE, NOT_MET, BAD_INPUT, FAILED, NOT_RESOLVED = 0, 1, 2, 3, 4
MEANINGS = {
    DONE: "done",
    NOT_MET: "the requirement is not met, or the measurement contradicts the prediction",
    BAD_INPUT: "bad input, nothing written",
    FAILED: "the run itself failed or was stopped, nothing written",
    NOT_RESOLVED: "this sample does not resolve whether the requirement is met",
}
"""Meaning of every exit code. All commands have 0, 2 and 3; the help of a command says whether it has 1 and 4."""
