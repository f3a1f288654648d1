"""Termination within two seconds by a signal: Ctrl-C, SIGTERM or SIGHUP, whatever the process is doing."""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
from contextlib import suppress
from typing import NoReturn

from armsim.cli.exit_codes import FAILED

CLEANUP_TIME = 1.5
"""Time for removing partial files, after which the process ends. [s]"""
SHOW_CURSOR = "\x1b[?25h"
SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


def end_on_signals() -> None:
    """Raise KeyboardInterrupt at the first stop signal, and end the process soon after, or at the second.

    A separate thread watches, because the main thread sees a signal only when it returns from a library. Signals that
    the shell ignores, as for a background job, stay ignored.
    """
    handled = [number for number in SIGNALS if signal.getsignal(number) != signal.SIG_IGN]
    for number in handled:
        signal.signal(number, _interrupt)
    if os.name != "posix":  # other systems can only be woken through a socket
        return
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    signal.set_wakeup_fd(writer, warn_on_full_buffer=False)
    threading.Thread(target=_watch, args=(reader, bytes(handled)), daemon=True).start()


def leave_signals_to_a_server() -> None:
    """Let a server end the process after a stop signal: it handles the signal and closes its connections in time."""
    if os.name == "posix":
        signal.set_wakeup_fd(-1)


def _interrupt(number: int, frame: object) -> NoReturn:
    raise KeyboardInterrupt


def _watch(reader: int, handled: bytes) -> None:
    while not any(number in handled for number in os.read(reader, 1)):
        pass
    select.select([reader], [], [], CLEANUP_TIME)
    end_process(FAILED, "stopped; the folder holds either the earlier result or the complete new one")


def end_process(code: int, message: str = "") -> NoReturn:
    """End the process now, after flushing its output, without waiting for threads."""
    with suppress(OSError, ValueError):
        if sys.stderr.isatty():
            sys.stderr.write(SHOW_CURSOR)
        if message:
            sys.stderr.write(message + "\n")
        sys.stderr.flush()
    with suppress(OSError, ValueError):
        sys.stdout.flush()
    os._exit(code)
