"""Background jobs of a session: one at a time, with progress, a stop, and the results of the last ones."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from armsim.errors import InputError
from armsim.explorer.snapshot import JobInput
from armsim.run_options import Interrupted, RunOptions

MOST_RESULTS = 6
"""Finished jobs that can be opened again."""

Work = Callable[[JobInput, RunOptions], Any]
"""A job: a function of its input and run options, whose progress callback raises `JobStopped` after a stop."""


class JobStopped(Exception):
    """Raised when the user stops a job."""


@dataclass(frozen=True, eq=False)
class Job:
    """A background job: name, input, progress, result or error.

    ``job_input`` is without answer and poses once the job has finished, so that its samples are not held.
    """

    name: str
    job_input: JobInput
    number: int
    progress: str = ""
    share: float = 0.0
    result: Any = None
    error: str = ""
    running: bool = True

    @property
    def key(self) -> str:
        """Key of its design."""
        return self.job_input.step.design.key


def fault_text(error: BaseException) -> str:
    """Sentence on an exception for the page."""
    if isinstance(error, InputError):
        return "; ".join(str(problem) for problem in error.problems)
    return str(error) or type(error).__name__


class JobRunner:
    """The running job and the finished ones, the latest first."""

    def __init__(self, lock: threading.RLock, notify: Callable[[], None]) -> None:
        self._lock, self._notify = lock, notify
        self._stop_requested = threading.Event()
        self.running: Job | None = None
        self.finished: tuple[Job, ...] = ()
        self._count = 0

    def start(self, name: str, job_input: JobInput, options: RunOptions, work: Work) -> int:
        """Start a job and return its number; 0 where another one is running."""
        with self._lock:
            if self.running is not None:
                return 0
            self._count += 1
            self._stop_requested.clear()
            self.running = Job(name, job_input, self._count)
            self._notify()
        threading.Thread(target=self._run, args=(self.running, options, work), name=name, daemon=True).start()
        return self._count

    def stop(self) -> None:
        """Stop the running job, at its next progress report or while it samples."""
        self._stop_requested.set()

    def dismiss(self, number: int) -> None:
        """Forget a finished job."""
        with self._lock:
            self.finished = tuple(job for job in self.finished if job.number != number)
            self._notify()

    def _run(self, job: Job, options: RunOptions, work: Work) -> None:
        def progress(what: str, completed: int, total: int) -> None:
            if self._stop_requested.is_set():
                raise JobStopped
            with self._lock:
                if self.running is not None:
                    self.running = replace(self.running, progress=what, share=completed / max(total, 1))
                    self._notify()

        outcome: dict[str, Any] = {}
        try:
            outcome["result"] = work(
                job.job_input, replace(options, progress=progress, stopped=self._stop_requested.is_set)
            )
        except (JobStopped, Interrupted):
            outcome["error"] = "stopped"
        except Exception as error:  # whatever goes wrong must reach the page, not end in a thread
            outcome["error"] = fault_text(error)
        with self._lock:
            light = replace(job.job_input, snapshot=None, poses=(), pinned=())
            finished_job = replace(job, job_input=light, running=False, share=1.0, **outcome)
            self.running = None
            self.finished = (finished_job, *self.finished)[:MOST_RESULTS]
            self._notify()
