"""Standard streams that the caller closed or no longer reads."""

from __future__ import annotations

import os
import sys
from io import BufferedWriter, FileIO, TextIOWrapper
from typing import Any, TextIO


class _Descriptor(FileIO):
    """A descriptor for output; what can no longer be written for one kind of fault is dropped."""

    def __init__(self, number: int, dropped: type[OSError]) -> None:
        super().__init__(number, "wb", closefd=False)
        self._dropped = dropped

    def write(self, data: Any, /) -> int:
        try:
            return super().write(data) or 0
        except self._dropped:
            return memoryview(data).nbytes


def prepare_streams() -> None:
    """Let what becomes of the standard streams change no exit code, but for a fault of standard output such as a full
    disk.

    A stream that the caller closed is the null device, as if he had named that: his closing it says that he does not
    want it, and a file that is opened later must not take its number and get what is printed. Of a pipe whose reader is
    gone the rest is dropped, as for ``| head``: the command goes on to its end, since its exit code and its files are
    wanted all the same. Nobody can be told of a fault of standard error.
    """
    if sys.stdin is None:
        sys.stdin = open(os.devnull)  # noqa: SIM115
    sys.stdout = _prepared(sys.stdout, 1, BrokenPipeError)
    sys.stderr = _prepared(sys.stderr, 2, OSError)


def _prepared(stream: TextIO | None, number: int, dropped: type[OSError]) -> TextIO:
    if stream is None:
        # takes the lowest number that is free: that of the stream
        null = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
        os.set_inheritable(null.fileno(), True)  # for the processes that are started
        return null
    if not isinstance(stream, TextIOWrapper):
        return stream
    shown = "backslashreplace"  # a terminal that knows few characters still shows the rest
    if stream.isatty():
        stream.reconfigure(errors=shown)
        return stream
    raw = _Descriptor(number, dropped)
    binary: Any = raw if stream.write_through else BufferedWriter(raw)
    return TextIOWrapper(
        binary,
        encoding=stream.encoding,
        errors=shown,
        line_buffering=stream.line_buffering,
        write_through=stream.write_through,
    )
