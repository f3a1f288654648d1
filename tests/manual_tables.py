"""Tables of the manual that scripts print: the day and the machine, and their place in the page."""

from __future__ import annotations

import datetime
import os
import platform
from pathlib import Path

PAGE = Path(__file__).parent.parent / "armsim" / "manual" / "trust.md"
PRINTED = r"Printed on \d{4}-\d\d-\d\d with Python \S+ on \d+ processors \(\S+\)"


def printed_on() -> str:
    """The day and the machine, as `PRINTED` finds them."""
    day, machine = datetime.date.today().isoformat(), platform.machine()
    return f"Printed on {day} with Python {platform.python_version()} on {os.cpu_count()} processors ({machine}):"


def between(start: str, end: str) -> str:
    """What stands between two marks of the page."""
    return PAGE.read_text().partition(start)[2].partition(end)[0]


def write_between(start: str, end: str, text: str) -> None:
    """Replace what stands between two marks of the page."""
    before, _, remainder = PAGE.read_text().partition(start)
    PAGE.write_text(before + start + "\n" + text + "\n" + end + remainder.partition(end)[2])
