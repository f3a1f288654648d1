"""An end within two seconds, whatever the process is doing: Ctrl-C, a request to terminate, a terminal that is gone."""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
from contextlib import suppress
from typing import NoReturn

STOPPED = 3
"""Exit code of a run that was stopped."""
PATIENCE = 1.5
"""Time in which what is half-written is taken away, after which the process ends as it is. [s]"""
SHOW_CURSOR = "\x1b[?25h"
SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


def end_on_signals() -> None:
    """Let the first signal to stop raise KeyboardInterrupt, and end the process soon after, or at the second.

    A thread of its own watches, because the main one hears of a signal only when it comes back from a library. What the
    shell told to be ignored, as for a job in the background, stays ignored.
    """
    heard = [number for number in SIGNALS if signal.getsignal(number) != signal.SIG_IGN]
    for number in heard:
        signal.signal(number, _interrupt)
    if os.name != "posix":  # elsewhere only a socket can be woken by
        return
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    signal.set_wakeup_fd(writer, warn_on_full_buffer=False)
    threading.Thread(target=_watch, args=(reader, bytes(heard)), daemon=True).start()


def _interrupt(number: int, frame: object) -> NoReturn:
    raise KeyboardInterrupt


def _watch(reader: int, heard: bytes) -> None:
    while not any(number in heard for number in os.read(reader, 1)):
        pass
    select.select([reader], [], [], PATIENCE)
    leave(STOPPED, "stopped; an earlier result is as it was, or the new one is there and whole")


def leave(code: int, message: str = "") -> NoReturn:
    """End the process now, with what it prints printed: threads that still sample are not waited for."""
    with suppress(OSError, ValueError):
        if sys.stderr.isatty():
            sys.stderr.write(SHOW_CURSOR)
        if message:
            sys.stderr.write(message + "\n")
        sys.stderr.flush()
    with suppress(OSError, ValueError):
        sys.stdout.flush()
    os._exit(code)
