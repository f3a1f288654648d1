"""Exceptions: bad input, and runs that cannot be done."""

from __future__ import annotations

import re
from dataclasses import dataclass

LONGEST = 400
"""Most characters of an actual value in a message."""
LONGEST_ACCEPTED = 2000
"""Most characters of the accepted values in a message."""
MOST_LISTED = 100
"""Most faults of an input that are listed one by one."""
HIDDEN = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]")
"""Control characters except tab and newline, characters that change the writing direction, non-characters."""


def one_line(text: str) -> str:
    """Escape hidden characters and line breaks, so that a text cannot steer a terminal or imitate a second message."""
    text = text.replace("\n", "\\n").replace("\t", "\\t")
    return HIDDEN.sub(lambda match: ascii(match[0])[1:-1], text)


@dataclass(frozen=True)
class Problem:
    """One fault of an input document: where it is, the actual text, and what is accepted.

    `line` and `column` count from 1; 0 where the fault has no line, as with a missing file.
    """

    file: str
    line: int
    column: int
    key: str
    actual: str
    accepted: str

    def __str__(self) -> str:
        location = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        key = f" {_cut(self.key)}:" if self.key else ""
        accepted = f"; accepted: {self.accepted}" if self.accepted else ""
        return one_line(f"{location}:{key} {_cut(self.actual)}{_cut(accepted, LONGEST_ACCEPTED)}")


def _cut(text: str, longest: int = LONGEST) -> str:
    return text if len(text) <= longest else f"{text[: longest - 3]}..."


class InputError(Exception):
    """Bad input, with all of its faults, so that they can be mended in one go."""

    def __init__(self, *problems: Problem) -> None:
        self.problems = tuple(
            dict.fromkeys(problems)
        )  # a fault in the settings of a group is reported for each of its joints
        super().__init__(*self.problems)

    def text(self, prefix: str = "") -> str:
        """One line per fault with a prefix, and one line that counts those beyond the first `MOST_LISTED`."""
        lines = [f"{prefix}{problem}" for problem in self.problems[:MOST_LISTED]]
        omitted = len(self.problems) - MOST_LISTED
        return "\n".join([*lines, f"... and {omitted} more errors"] if omitted > 0 else lines)

    def __str__(self) -> str:
        return self.text()


class RunError(Exception):
    """The input is good but the run cannot be done."""


class DoesNotFit(RunError):
    """The run would take more memory than allowed."""


class TooLong(RunError):
    """The run would take longer than allowed."""
