"""Table of the lessons in the manual, from the comments at their heads: python tests/gallery.py --write"""

from __future__ import annotations

import re
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
LESSONS = sorted((ROOT / "scenarios" / "lessons").glob("*.yaml"))
PAGE = ROOT / "armsim" / "manual" / "gallery.md"
EXPECT = re.compile(r"# Expect: rms (\S+) um at the tool; (without|with) (\S+?)( \d+ bit)?: (\S+) um")
TABLE = re.compile(r"(<!-- lessons -->\n)(.*?)(<!-- end of lessons -->)", re.DOTALL)


def row(lesson: Path) -> str:
    """What a lesson shows, the rms error to expect, and what it is without, or with another value of, one key."""
    text = lesson.read_text(encoding="utf-8")
    head = " ".join(line.removeprefix("# ") for line in text[: text.index("# Expect")].splitlines())
    match = EXPECT.search(text)
    assert match is not None, lesson
    expected, how, key, value, otherwise = match.groups()
    return f"| `{lesson.stem}` | {head} | {expected} µm | {how} `{key}`{value or ''}: {otherwise} µm |"


def table() -> str:
    """Table of all lessons, as Markdown."""
    head = "| lesson | what it shows | rms error at the tool | otherwise |\n| --- | --- | --- | --- |\n"
    return head + "".join(f"{row(lesson)}\n" for lesson in LESSONS)


if __name__ == "__main__":
    page = PAGE.read_text(encoding="utf-8")
    fresh = TABLE.sub(lambda match: match[1] + table() + match[3], page)
    if "--write" in sys.argv:
        PAGE.write_text(fresh, encoding="utf-8")
    elif fresh != page:
        sys.exit("the gallery is not that of the lessons: python tests/gallery.py --write")
