"""How a run is carried out: where, within which memory and time, and who hears of it. No result depends on it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from armsim.processors import processors

Progress = Callable[[str, int, int], None]
"""Called with the name of what is done, steps done, steps in all."""
Note = Callable[[str], None]
"""Called with one sentence."""
Stopped = Callable[[], bool]
"""Called every 20 ms or so while threads sample; whether to stop."""
MEMORY = 2**30
"""Bytes that a run may take where nothing else is said."""


class Interrupted(Exception):
    """Raised when sampling is cancelled by `Stopped`."""


def no_progress(what: str, completed: int, total: int) -> None:
    """Progress callback that does nothing."""


def no_note(text: str) -> None:
    """Note callback that does nothing."""


def never() -> bool:
    """Stop callback of a run that goes on to its end."""
    return False


@dataclass(frozen=True)
class RunOptions:
    """How a run is carried out.

    Parameters
    ----------
    workers : int, optional
        Threads or processes; the processors of this machine where not given.
    memory : int
        Memory that may be taken. [bytes]
    processes : bool
        Sample in processes instead of threads.
    cluster : str, optional
        Address of the scheduler of a dask.distributed cluster that samples.
    longest : float
        Time that sampling may take, by the estimate made before it begins. [s]
    afterwards : int
        Memory needed for what is then made of the result. [bytes]
    progress, note, stopped : callable
        As `Progress`, `Note` and `Stopped`.
    """

    workers: int | None = None
    memory: int = MEMORY
    processes: bool = False
    cluster: str | None = None
    longest: float = math.inf
    afterwards: int = 0
    progress: Progress = no_progress
    note: Note = no_note
    stopped: Stopped = never

    @property
    def threads(self) -> int:
        """Workers on this machine."""
        return self.workers or processors()

    @property
    def without_notes(self) -> RunOptions:
        """The same, notes left out."""
        return replace(self, note=no_note)

    @property
    def silent(self) -> RunOptions:
        """The same, without progress and notes."""
        return replace(self, progress=no_progress, note=no_note)
