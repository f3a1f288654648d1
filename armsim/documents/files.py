"""Files of the user: only regular files of bounded size are read, and only text that can be shown is accepted."""

from __future__ import annotations

import difflib
import os
import stat
from pathlib import Path

from armsim.errors import HIDDEN

LARGEST_FILE = 2**20
"""Maximum size of an input file [bytes]; the document of an arm with a hundred joints is 20 times smaller."""


class Unreadable(Exception):
    """A file that cannot be read: the actual problem, and what is accepted."""

    def __init__(self, finding: str, accepted: str) -> None:
        self.actual = finding
        self.accepted = accepted
        super().__init__(finding)


def read_bytes(path: Path, largest: int = LARGEST_FILE) -> bytes:
    """Read a regular file of bounded size; devices, pipes and folders are never read.

    Raises
    ------
    Unreadable
        The file does not exist, is not regular or is too large.
    """
    try:
        status = os.stat(path)
        if not stat.S_ISREG(status.st_mode):
            raise Unreadable("not a regular file", "a text file, not a folder, a pipe or a device")
        if status.st_size > largest:
            raise Unreadable(f"{status.st_size} bytes are too many", f"a file of at most {largest} bytes")
        with open(path, "rb") as file:
            raw = file.read(largest + 1)
    except FileNotFoundError as error:
        raise Unreadable(f"file not found: {path.name} (looked in {path.parent})", _similar_files(path)) from error
    except (OSError, ValueError) as error:  # a name with a NUL is a ValueError
        raise Unreadable(f"cannot be read: {getattr(error, 'strerror', None) or error}", "a readable file") from error
    if len(raw) > largest:  # such as a system file that states no size
        raise Unreadable("too many bytes", f"a file of at most {largest} bytes")
    return raw


def _similar_files(path: Path) -> str:
    """Accepted alternatives to a missing file: files of the same folder with similar names."""
    try:
        names = [entry.name for entry in os.scandir(path.parent) if entry.is_file()]
    except (OSError, ValueError):
        return "an existing file"
    close = difflib.get_close_matches(path.name, names, n=3)
    return f"an existing file; did you mean {' or '.join(close)}?" if close else "an existing file"


def unprintable_character(text: str) -> str | None:
    """Code point of the first character that cannot be shown safely; None if there is none."""
    match = HIDDEN.search(text)
    return None if match is None else f"U+{ord(match[0]):04X}"
