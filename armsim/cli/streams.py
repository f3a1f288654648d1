"""Standard streams that the caller closed or no longer reads from."""

from __future__ import annotations

import os
import sys
from io import BufferedWriter, FileIO, TextIOWrapper
from typing import Any, TextIO


class _Descriptor(FileIO):
    """An output descriptor that drops data after one kind of error."""

    def __init__(self, number: int, dropped: type[OSError]) -> None:
        super().__init__(number, "wb", closefd=False)
        self._dropped = dropped

    def write(self, data: Any, /) -> int:
        try:
            return super().write(data) or 0
        except self._dropped:
            return memoryview(data).nbytes


def prepare_streams() -> None:
    """Prepare the standard streams so that closed ones do not change the exit code.

    A closed stream becomes the null device, so that a file opened later does not take its number and receive the
    output. Output to a pipe without a reader is dropped, as for ``| head``: the command goes on, since its exit code
    and files still matter. Errors of standard error are ignored; others of standard output, such as a full disk, are
    raised.
    """
    if sys.stdin is None:
        sys.stdin = open(os.devnull)  # noqa: SIM115
    sys.stdout = _prepared(sys.stdout, 1, BrokenPipeError)
    sys.stderr = _prepared(sys.stderr, 2, OSError)


def _prepared(stream: TextIO | None, number: int, dropped: type[OSError]) -> TextIO:
    if stream is None:
        # takes the lowest free number: that of the stream
        null = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
        os.set_inheritable(null.fileno(), True)  # for child processes
        return null
    if not isinstance(stream, TextIOWrapper):
        return stream
    error_handler = "backslashreplace"  # for terminals with few characters
    if stream.isatty():
        stream.reconfigure(errors=error_handler)
        return stream
    raw = _Descriptor(number, dropped)
    binary: Any = raw if stream.write_through else BufferedWriter(raw)
    return TextIOWrapper(
        binary,
        encoding=stream.encoding,
        errors=error_handler,
        line_buffering=stream.line_buffering,
        write_through=stream.write_through,
    )
