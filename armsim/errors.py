"""What goes wrong, in one place: bad input, and a run that cannot be done."""

from __future__ import annotations

import re
from dataclasses import dataclass

LONGEST = 400
"""Characters of what was found that a message shows."""
LONGEST_ACCEPTED = 2000
"""Characters of what is accepted that a message shows."""
MOST_TOLD = 100
"""Faults of an input that are told one by one."""
UNSHOWN = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]")
"""Control characters but tab and newline, characters that change the direction of writing, what is no character."""


def one_line(text: str) -> str:
    """Text that cannot steer a terminal or look like a second message: what is hidden in it is shown as escapes."""
    text = text.replace("\n", "\\n").replace("\t", "\\t")
    return UNSHOWN.sub(lambda found: ascii(found[0])[1:-1], text)


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
        key = f" {_cut(self.key)}:" if self.key else ""
        accepted = f"; accepted: {self.accepted}" if self.accepted else ""
        return one_line(f"{place}:{key} {_cut(self.found)}{_cut(accepted, LONGEST_ACCEPTED)}")


def _cut(text: str, longest: int = LONGEST) -> str:
    return text if len(text) <= longest else f"{text[: longest - 3]}..."


class InputError(Exception):
    """Bad input. Carries every fault, so that all can be mended in one go; its text is made where it is read."""

    def __init__(self, *problems: Problem) -> None:
        self.problems = problems
        super().__init__(*problems)

    def text(self, before: str = "") -> str:
        """One line a fault with some words before it, and one line for those beyond the first `MOST_TOLD`."""
        lines = [f"{before}{problem}" for problem in self.problems[:MOST_TOLD]]
        more = len(self.problems) - MOST_TOLD
        return "\n".join([*lines, f"... and {more} faults more"] if more > 0 else lines)

    def __str__(self) -> str:
        return self.text()


class RunError(Exception):
    """The input is good but the run cannot be done."""


class DoesNotFit(RunError):
    """The run would take more memory than allowed."""


class TooLong(RunError):
    """The run would take longer than allowed."""
