"""What is on the desk: a design, answers that grow, designs pinned beside it, and one longer piece of work at a time.

Kept apart from any page, so that a lost connection, a reload or a second tab loses nothing.
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
MOST_HELD = 16
"""Studies that are held ready; those of other designs are made again when they are asked for."""


class Halted(Exception):
    """A piece of work was stopped."""


@dataclass(frozen=True, eq=False)
class Shown:
    """An answer with the design that it is of.

    Parameters
    ----------
    key : str
        Of the design.
    study : Study
    answer : Answer
    """

    key: str
    study: Study
    answer: Answer

    @property
    def whole(self) -> bool:
        """Whether its samples are those of a run of the scenario."""
        return self.answer.last


@dataclass(frozen=True, eq=False)
class Pinned:
    """A design kept beside, with the last answer of it."""

    name: str
    design: Design
    shown: Shown | None


@dataclass(frozen=True, eq=False)
class Work:
    """A longer piece of work: what it is, how far, what came of it or went wrong."""

    name: str
    progress: str = ""
    share: float = 0.0
    result: Any = None
    error: str = ""
    running: bool = True
    number: int = 0


@dataclass(eq=False)
class Desk:
    """The state behind the page. Every method may be called from any thread.

    Parameters
    ----------
    study : Study
        As it was read.
    options : Options, optional
        Of a catalogue.
    catalogue : Path, optional
    run_options : RunOptions
        Of answers and longer work; callbacks are set for each.
    changed : callable
        Told whenever something is new; must return at once.
    given : mapping of path to value
        Changes with which the scenario was read.
    """

    study: Study
    options: Options | None = None
    catalogue: Path | None = None
    run_options: RunOptions = RunOptions()
    changed: Callable[[], None] = lambda: None
    history: History = field(default_factory=History)
    shown: Shown | None = None
    pinned: tuple[Pinned, ...] = ()
    work: Work | None = None
    given: Mapping[str, Any] = field(default_factory=dict)
    saved: Path | None = None
    saved_key: str = ""
    version: int = 0

    def __post_init__(self) -> None:
        self._lock = threading.RLock()
        self._found: list[PoseSet] | None = None
        self._studies: dict[str, Study] = {Design().key: self.study}
        self._wanted = threading.Event()
        self._ended = threading.Event()
        self._halt = threading.Event()
        self._thread = threading.Thread(target=self._grow, name="answers", daemon=True)

    # --- answers -----------------------------------------------------------------------------------------------------

    @property
    def design(self) -> Design:
        """That which stands."""
        return self.history.design

    @property
    def changes(self) -> Mapping[str, Any]:
        """What makes the design that stands of the scenario as it was read: what it was opened with comes first."""
        return Design(self.given).with_changes(self.design.changes).changes

    @property
    def current(self) -> Study:
        """The study of the design that stands."""
        return self.study_of(self.design)

    @property
    def found(self) -> list[PoseSet]:
        """The poses of every task."""
        with self._lock:
            if self._found is None:
                self._found = self.study.find()
            return self._found

    def begin(self) -> None:
        """Look for the poses and begin with answers.

        Raises
        ------
        RunError
            A task has no pose that the arm can reach.
        """
        assert self.found
        self._wanted.set()
        self._thread.start()

    def end(self) -> None:
        """Stop all that runs."""
        self._ended.set()
        self._halt.set()
        self._wanted.set()

    def apply(self, changes: Mapping[str, Any], sliding: bool = False) -> None:
        """Change the design; ``sliding`` replaces the last step in the history.

        Raises
        ------
        InputError
            What is wrong with a change, as for a file; the design stays as it was.
        """
        with self._lock:
            self._stand(self.design.with_changes(changes), sliding)

    def put(self, design: Design) -> None:
        """Let a design stand, such as one that was pinned."""
        with self._lock:
            self._stand(design, sliding=False)

    def _stand(self, design: Design, sliding: bool) -> None:
        self.study_of(design)  # whatever is wrong with it is told before it stands
        self.history = self.history.over(design) if sliding and self.history.at else self.history.to(design)
        self._tell(wanted=True)

    def undo(self) -> None:
        """One step back, where there is one."""
        with self._lock:
            self.history = self.history.undone or self.history
            self._tell(wanted=True)

    def redo(self) -> None:
        """One step forth, where there is one."""
        with self._lock:
            self.history = self.history.redone or self.history
            self._tell(wanted=True)

    def _tell(self, wanted: bool = False) -> None:
        self.version += 1
        if wanted:
            self._wanted.set()
        self.changed()

    def _grow(self) -> None:
        while True:
            self._wanted.wait()
            self._wanted.clear()
            if self._ended.is_set():
                return
            with self._lock:
                design, study = self.design, self.current
            if self.shown is not None and self.shown.key == design.key and self.shown.whole:
                continue
            try:
                for answer in study.growing(self.found, replace(self.run_options, stopped=self._wanted.is_set)):
                    if not self._publish(Shown(design.key, study, answer)):
                        break
            except RunError as error:
                with self._lock:
                    self.work = Work("answers", error=str(error), running=False)
                    self._tell()

    def _publish(self, shown: Shown) -> bool:
        """Show an answer if it is of the design that stands; whether it was."""
        with self._lock:
            if shown.key != self.design.key:
                return False
            self.shown = shown
            self._tell()
            return True

    @property
    def answer(self) -> Shown | None:
        """The answer to the design that stands; None while there is none."""
        with self._lock:
            return self.shown if self.shown is not None and self.shown.key == self.design.key else None

    # --- pins --------------------------------------------------------------------------------------------------------

    def pin(self, name: str) -> None:
        """Keep the design beside, under a name of its own; the oldest gives way to a fifth."""
        with self._lock:
            others = [pin for pin in self.pinned if pin.design.key != self.design.key]
            taken, free_name, number = {pin.name for pin in others}, name, 1
            while free_name in taken:
                number += 1
                free_name = f"{name} {number}"
            pin = Pinned(free_name, self.design, self.answer)
            self.pinned = (*others, pin)[-MOST_PINNED:]
            self._tell()

    def unpin(self, key: str) -> None:
        """Take a design away from beside."""
        with self._lock:
            self.pinned = tuple(pin for pin in self.pinned if pin.design.key != key)
            self._tell()

    def study_of(self, design: Design) -> Study:
        """The study of a design."""
        with self._lock:
            study = self._studies.pop(design.key, None) or self.study.change(design.changes)
            self._studies[design.key] = study  # the last used stands last
            while len(self._studies) > MOST_HELD:
                del self._studies[next(iter(self._studies))]
            return study

    def mark_saved(self, path: Path) -> None:
        """The design that stands is in a file."""
        with self._lock:
            self.saved, self.saved_key = path, self.design.key
            self._tell()

    # --- longer work -------------------------------------------------------------------------------------------------

    def start(self, name: str, do: Callable[[Callable[[str, int, int], None]], Any]) -> bool:
        """Begin a longer piece of work; whether it could be begun, one being done at a time.

        ``do`` is handed a function to tell its progress to, which ends it when it is to stop.
        """
        with self._lock:
            if self.work is not None and self.work.running:
                return False
            number = 1 if self.work is None else self.work.number + 1
            self._halt.clear()
            self.work = Work(name, number=number)
            self._tell()
        threading.Thread(target=self._do, args=(number, do), name=name, daemon=True).start()
        return True

    def halt(self) -> None:
        """Stop what is being done."""
        self._halt.set()

    def dismiss(self) -> None:
        """Forget what was done."""
        with self._lock:
            if self.work is not None and not self.work.running:
                self.work = replace(self.work, result=None, error="", name="")
                self._tell()

    def _do(self, number: int, do: Callable[[Callable[[str, int, int], None]], Any]) -> None:
        def progress(what: str, done: int, total: int) -> None:
            if self._halt.is_set():
                raise Halted
            with self._lock:
                if self.work is not None and self.work.number == number:
                    self.work = replace(self.work, progress=what, share=done / max(total, 1))
                    self._tell()

        outcome: dict[str, Any] = {}
        try:
            outcome["result"] = do(progress)
        except Halted:
            outcome["error"] = "stopped"
        except InputError as error:
            outcome["error"] = "; ".join(str(problem) for problem in error.problems)
        except Exception as error:  # whatever goes wrong must reach the page, not end in a thread
            outcome["error"] = str(error) or type(error).__name__
        with self._lock:
            if self.work is not None and self.work.number == number:
                self.work = replace(self.work, running=False, share=1.0, **outcome)
            self._tell()
