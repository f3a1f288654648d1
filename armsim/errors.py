"""What goes wrong, in one place: bad input, and a run that cannot be done."""

from __future__ import annotations

from dataclasses import dataclass

LONGEST = 400
"""Characters of what was found that a message shows."""
MOST_TOLD = 100
"""Faults that are told one by one."""


@dataclass(frozen=True)
class Problem:
    """One fault of an input document.

    `line` and `column` count from 1; 0 where the fault belongs to no line, as with a missing file.
    """

    file: str
    line: int
    column: int
    key: str
    found: str
    accepted: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        key = f" {self.key}:" if self.key else ""
        accepted = f"; accepted: {self.accepted}" if self.accepted else ""
        found = self.found if len(self.found) <= LONGEST else f"{self.found[: LONGEST - 3]}..."
        return f"{place}:{key} {found}{accepted}"


class InputError(Exception):
    """Bad input. Carries every fault found, so that all can be mended in one go."""

    def __init__(self, *problems: Problem) -> None:
        self.problems = problems
        super().__init__("\n".join(str(problem) for problem in problems))


class RunError(Exception):
    """The input is good but the run cannot be done."""
