"""An end within two seconds, whatever the process is doing: Ctrl-C, a request to terminate, a terminal that is gone."""

from __future__ import annotations

import os
import select
import signal
import socket
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
    reader, writer = socket.socketpair()
    writer.setblocking(False)
    signal.set_wakeup_fd(writer.fileno(), warn_on_full_buffer=False)
    for number in heard:
        signal.signal(number, _interrupt)
    threading.Thread(target=_watch, args=(reader, writer, bytes(heard)), daemon=True).start()


def _interrupt(number: int, frame: object) -> NoReturn:
    raise KeyboardInterrupt


def _watch(reader: socket.socket, writer: socket.socket, heard: bytes) -> None:
    while True:  # the writer is held here, so that it stays open
        if any(number in heard for number in reader.recv(1)):
            break
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
