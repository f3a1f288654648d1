"""Options of a run: workers, device, memory and time limits, callbacks. Results depend on them by rounding alone."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from armsim.processors import processors

Progress = Callable[[str, int, int], None]
"""Progress callback: name of the stage, steps completed, steps in all."""
Note = Callable[[str], None]
"""Note callback: one sentence."""
StopCallback = Callable[[], bool]
"""Stop callback, called about every 20 ms while threads sample and between other steps; True stops."""
CheckStop = Callable[[], None]
"""Callback before every step of a long computation; raises `Interrupted` where a stop is requested."""
Device = Literal["cpu", "cuda", "auto"]
"""Where poses are sampled; ``auto`` uses a CUDA device if there is one and the run is large."""
MEMORY = 2**30
"""Default memory limit of a run. [bytes]"""


class Interrupted(Exception):
    """Raised when a computation is cancelled by `StopCallback`."""


def no_progress(what: str, completed: int, total: int) -> None:
    """Progress callback that does nothing.

    Parameters
    ----------
    what : str
    completed, total : int
    """


def no_note(text: str) -> None:
    """Note callback that does nothing."""


def never_stopped() -> bool:
    """Stop callback that never stops."""
    return False


def never_stop() -> None:
    """Callback before a step that never stops."""


@dataclass(frozen=True)
class RunOptions:
    """Options of a run.

    Parameters
    ----------
    workers : int, optional
        Threads or processes; by default the number of processors of this machine.
    memory : int
        Memory limit. [bytes]
    processes : bool
        Sample in processes instead of threads.
    cluster : str, optional
        Address of the scheduler of a dask.distributed cluster that samples.
    max_seconds : float
        Limit of the duration of sampling, which is estimated before it begins. [s]
    memory_afterwards : int
        Memory needed after sampling, for the files and figures of the result. [bytes]
    progress, note, stopped : callable
        As `Progress`, `Note` and `StopCallback`.
    device : str
        As `Device`.
    """

    workers: int | None = None
    memory: int = MEMORY
    processes: bool = False
    cluster: str | None = None
    max_seconds: float = math.inf
    memory_afterwards: int = 0
    progress: Progress = no_progress
    note: Note = no_note
    stopped: StopCallback = never_stopped
    device: Device = "cpu"

    @property
    def threads(self) -> int:
        """Number of workers on this machine."""
        return self.workers or processors()

    @property
    def in_other_processes(self) -> bool:
        """Whether other processes sample."""
        return self.processes or self.cluster is not None

    def check_stop(self) -> None:
        """Raise `Interrupted` where a stop is requested; called before every step of a long computation.

        Raises
        ------
        Interrupted
        """
        if self.stopped():
            raise Interrupted

    @property
    def without_notes(self) -> RunOptions:
        """These options without the note callback."""
        return replace(self, note=no_note)

    @property
    def silent(self) -> RunOptions:
        """These options without progress and note callbacks."""
        return replace(self, progress=no_progress, note=no_note)
