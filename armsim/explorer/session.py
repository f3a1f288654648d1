"""State behind the page: the current design, its growing answer, pinned designs, and one background job at a time.

It is independent of any page, so that a lost connection, a reload or a second tab loses nothing.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from armsim.errors import InputError, RunError
from armsim.explorer.design import Design, History
from armsim.model.joint_options import Options
from armsim.sampling.run_options import RunOptions
from armsim.study import Answer, Study
from armsim.tasks import PoseSet

MOST_PINNED = 4
MOST_STUDIES = 16
"""Number of studies kept in memory; those of other designs are rebuilt on demand."""


class JobStopped(Exception):
    """Raised when the user stops a job."""


@dataclass(frozen=True, eq=False)
class Snapshot:
    """An answer with its design and study.

    Parameters
    ----------
    key : str
        Key of the design.
    study : Study
    answer : Answer
    """

    key: str
    study: Study
    answer: Answer

    @property
    def complete(self) -> bool:
        """Whether all units of the scenario's plan are sampled."""
        return self.answer.last


@dataclass(frozen=True, eq=False)
class Pinned:
    """A pinned design with its last snapshot."""

    name: str
    design: Design
    snapshot: Snapshot | None


@dataclass(frozen=True, eq=False)
class Job:
    """A background job: name, progress, result or error."""

    name: str
    progress: str = ""
    share: float = 0.0
    result: Any = None
    error: str = ""
    running: bool = True
    number: int = 0


@dataclass(eq=False)
class Session:
    """The state behind the page. Every method may be called from any thread.

    Parameters
    ----------
    study : Study
        Study of the scenario as read.
    options : Options, optional
        Options of a catalogue for every joint.
    catalogue : Path, optional
    run_options : RunOptions
        Run options of answers and jobs; callbacks are set for each.
    on_change : callable
        Called after every change of state; must return at once.
    initial_changes : mapping of path to value
        Changes applied to the scenario when it was read.
    """

    study: Study
    options: Options | None = None
    catalogue: Path | None = None
    run_options: RunOptions = RunOptions()
    on_change: Callable[[], None] = lambda: None
    history: History = field(default_factory=History)
    latest: Snapshot | None = None
    pinned: tuple[Pinned, ...] = ()
    job: Job | None = None
    initial_changes: Mapping[str, Any] = field(default_factory=dict)
    saved: Path | None = None
    saved_key: str = ""
    version: int = 0

    def __post_init__(self) -> None:
        self._lock = threading.RLock()
        self._poses: list[PoseSet] | None = None
        self._studies: dict[str, Study] = {Design().key: self.study}
        self._update_requested = threading.Event()
        self._ended = threading.Event()
        self._stop_requested = threading.Event()
        self._thread = threading.Thread(target=self._update_loop, name="answers", daemon=True)

    # --- answers -----------------------------------------------------------------------------------------------------

    @property
    def design(self) -> Design:
        """The current design."""
        return self.history.design

    @property
    def changes(self) -> Mapping[str, Any]:
        """All changes from the scenario file to the current design; the initial changes come first."""
        return Design(self.initial_changes).with_changes(self.design.changes).changes

    @property
    def current(self) -> Study:
        """Study of the current design."""
        return self.study_of(self.design)

    @property
    def poses(self) -> list[PoseSet]:
        """Poses of every task, found once."""
        with self._lock:
            if self._poses is None:
                self._poses = self.study.find()
            return self._poses

    def begin(self) -> None:
        """Find the poses and start computing answers.

        Raises
        ------
        RunError
            A task has no pose that the arm can reach.
        """
        assert self.poses
        self._update_requested.set()
        self._thread.start()

    def end(self) -> None:
        """Stop the answer thread and any running job."""
        self._ended.set()
        self._stop_requested.set()
        self._update_requested.set()

    def apply(self, changes: Mapping[str, Any], sliding: bool = False) -> None:
        """Change the current design; ``sliding`` replaces the last step in the history.

        Raises
        ------
        InputError
            A change is invalid; the design stays as it was.
        """
        with self._lock:
            self._append_design(self.design.with_changes(changes), sliding)

    def set_design(self, design: Design) -> None:
        """Make a design the current one, such as a pinned one."""
        with self._lock:
            self._append_design(design, sliding=False)

    def _append_design(self, design: Design, sliding: bool) -> None:
        self.study_of(design)  # raises for an invalid design before it is current
        self.history = self.history.over(design) if sliding and self.history.at else self.history.to(design)
        self._notify(design_changed=True)

    def undo(self) -> None:
        """Step back in the history, if possible."""
        with self._lock:
            self.history = self.history.undone or self.history
            self._notify(design_changed=True)

    def redo(self) -> None:
        """Step forward in the history, if possible."""
        with self._lock:
            self.history = self.history.redone or self.history
            self._notify(design_changed=True)

    def _notify(self, design_changed: bool = False) -> None:
        self.version += 1
        if design_changed:
            self._update_requested.set()
        self.on_change()

    def _update_loop(self) -> None:
        while True:
            self._update_requested.wait()
            self._update_requested.clear()
            if self._ended.is_set():
                return
            with self._lock:
                design, study = self.design, self.current
            if self.latest is not None and self.latest.key == design.key and self.latest.complete:
                continue
            try:
                for answer in study.growing(
                    self.poses, replace(self.run_options, stopped=self._update_requested.is_set)
                ):
                    if not self._publish(Snapshot(design.key, study, answer)):
                        break
            except RunError as error:
                with self._lock:
                    self.job = Job("answers", error=str(error), running=False)
                    self._notify()

    def _publish(self, snapshot: Snapshot) -> bool:
        """Store a snapshot if it is of the current design; return whether it was."""
        with self._lock:
            if snapshot.key != self.design.key:
                return False
            self.latest = snapshot
            self._notify()
            return True

    @property
    def snapshot(self) -> Snapshot | None:
        """Latest snapshot of the current design; None while there is none."""
        with self._lock:
            return self.latest if self.latest is not None and self.latest.key == self.design.key else None

    # --- pins --------------------------------------------------------------------------------------------------------

    def pin(self, name: str) -> None:
        """Pin the current design under a unique name; a fifth pin replaces the oldest."""
        with self._lock:
            others = [pin for pin in self.pinned if pin.design.key != self.design.key]
            used_names, free_name, number = {pin.name for pin in others}, name, 1
            while free_name in used_names:
                number += 1
                free_name = f"{name} {number}"
            pin = Pinned(free_name, self.design, self.snapshot)
            self.pinned = (*others, pin)[-MOST_PINNED:]
            self._notify()

    def unpin(self, key: str) -> None:
        """Remove a pinned design."""
        with self._lock:
            self.pinned = tuple(pin for pin in self.pinned if pin.design.key != key)
            self._notify()

    def study_of(self, design: Design) -> Study:
        """Study of a design, from memory or built anew."""
        with self._lock:
            study = self._studies.pop(design.key, None) or self.study.change(design.changes)
            self._studies[design.key] = study  # ordered by last use
            while len(self._studies) > MOST_STUDIES:
                del self._studies[next(iter(self._studies))]
            return study

    def mark_saved(self, path: Path) -> None:
        """Record that the current design was saved to a file."""
        with self._lock:
            self.saved, self.saved_key = path, self.design.key
            self._notify()

    # --- background jobs---------------------------------------------------------------------------------------------

    def start_job(self, name: str, work: Callable[[Callable[[str, int, int], None]], Any]) -> bool:
        """Start a background job; return False where another one is running.

        ``work`` is called with a progress callback, which raises `JobStopped` after `stop_job`.
        """
        with self._lock:
            if self.job is not None and self.job.running:
                return False
            number = 1 if self.job is None else self.job.number + 1
            self._stop_requested.clear()
            self.job = Job(name, number=number)
            self._notify()
        threading.Thread(target=self._run_job, args=(number, work), name=name, daemon=True).start()
        return True

    def stop_job(self) -> None:
        """Stop the running job at its next progress report."""
        self._stop_requested.set()

    def dismiss_job(self) -> None:
        """Clear the finished job; its number is kept."""
        with self._lock:
            if self.job is not None and not self.job.running:
                self.job = replace(self.job, result=None, error="", name="")
                self._notify()

    def _run_job(self, number: int, work: Callable[[Callable[[str, int, int], None]], Any]) -> None:
        def progress(what: str, completed: int, total: int) -> None:
            if self._stop_requested.is_set():
                raise JobStopped
            with self._lock:
                if self.job is not None and self.job.number == number:
                    self.job = replace(self.job, progress=what, share=completed / max(total, 1))
                    self._notify()

        outcome: dict[str, Any] = {}
        try:
            outcome["result"] = work(progress)
        except JobStopped:
            outcome["error"] = "stopped"
        except InputError as error:
            outcome["error"] = "; ".join(str(problem) for problem in error.problems)
        except Exception as error:  # whatever goes wrong must reach the page, not end in a thread
            outcome["error"] = str(error) or type(error).__name__
        with self._lock:
            if self.job is not None and self.job.number == number:
                self.job = replace(self.job, running=False, share=1.0, **outcome)
            self._notify()
