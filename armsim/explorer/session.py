"""State behind the page: the current design, its growing answer, pinned designs, and one background job at a time.

It is independent of any page, so that a lost connection, a reload or a second tab loses nothing.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from armsim.documents.load import load_changed, load_scenario, options_for
from armsim.documents.write_overrides import yaml_line
from armsim.errors import InputError, Problem
from armsim.explorer.design import Design, History, Step
from armsim.explorer.file_watch import FileWatch
from armsim.explorer.job_runner import Job, JobRunner, Work, fault_text
from armsim.explorer.session_file import SavedDesign, SessionFile
from armsim.explorer.snapshot import JobInput, Pinned, Saved, Snapshot
from armsim.model.joint_options import Options
from armsim.report.reproduce import RunRequest
from armsim.run_options import Progress, RunOptions, no_progress
from armsim.sources import Source
from armsim.study import Study
from armsim.tasks import PoseSet

MOST_PINNED = 4


@dataclass(frozen=True, eq=False)
class Inputs:
    """What a page is opened with, as read from files.

    Parameters
    ----------
    study : Study
        Study of the scenario file, without any changes.
    initial : Design
        Changes that were requested with it.
    catalogue : Path, optional
    options : Options, optional
        Options of the catalogue for every joint.
    sources : tuple of Source
        All files read, those of the catalogue included.
    """

    study: Study
    initial: Design = Design()
    catalogue: Path | None = None
    options: Options | None = None
    sources: tuple[Source, ...] = ()

    @staticmethod
    def read(scenario: Path, catalogue: Path | None = None, changes: Mapping[str, Any] | None = None) -> Inputs:
        """Read a scenario and the catalogue, and check the changes.

        Raises
        ------
        InputError
            A fault in any of the files or changes.
        """
        as_read, initial = load_scenario(scenario), Design(changes or {})
        changed, options = load_changed(as_read, initial.changes), None
        if catalogue is not None:
            changed, options = options_for(changed, catalogue)
        sources = {source.path: source for source in (*changed.sources, *as_read.sources)}
        return Inputs(Study(as_read), initial, catalogue, options, tuple(sources.values()))


class Session:
    """The state behind the page. Every method may be called from any thread.

    Parameters
    ----------
    inputs : Inputs
    run_options : RunOptions
        Run options of answers and jobs; callbacks are set for each.
    """

    def __init__(self, inputs: Inputs, run_options: RunOptions = RunOptions()) -> None:
        self.run_options = run_options
        self.on_change: Callable[[], None] = lambda: None  # called after every change of state; must return at once
        self.version, self.generation = 0, 0
        self.latest: Snapshot | None = None
        self.pinned: tuple[Pinned, ...] = ()
        self.saved: Saved | None = None
        self.notes: dict[str, str] = {}
        self._fault = "", ""
        self._lock = threading.RLock()
        self._poses: list[PoseSet] | None = None
        self._update_requested = threading.Event()
        self._ended = threading.Event()
        self.jobs = JobRunner(self._lock, self._notify)
        self._take(inputs, Step(inputs.initial, inputs.study.change(inputs.initial.changes, documents=inputs.sources)))
        self._thread = threading.Thread(target=self._update_loop, name="answers", daemon=True)

    def _take(self, inputs: Inputs, step: Step) -> None:
        self.inputs, self.history = inputs, History((step,))
        self.watch = FileWatch(inputs.sources or inputs.study.scenario.sources)

    # --- answers -----------------------------------------------------------------------------------------------------

    @property
    def study(self) -> Study:
        """Study of the scenario as read, without any changes."""
        return self.inputs.study

    @property
    def design(self) -> Design:
        """The current design."""
        return self.history.step.design

    @property
    def current(self) -> Study:
        """Study of the current design."""
        return self.history.step.study

    @property
    def file(self) -> Path:
        """Path of the scenario that the page was opened with."""
        file = self.study.scenario.file
        assert file is not None  # a session always has a scenario from a file
        return file

    @property
    def poses(self) -> list[PoseSet]:
        """Poses of every task, found once."""
        with self._lock:
            if self._poses is None:
                self._poses = self.study.find()
            return self._poses

    def name_of(self, design: Design) -> str:
        """Name of a design, by what it changes."""
        return design.name_since(self.inputs.initial)

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
        self.jobs.stop()
        self._update_requested.set()

    def apply(self, changes: Mapping[str, Any], slide: object = None) -> None:
        """Change the current design; changes of one ``slide`` are one step of the history.

        Raises
        ------
        InputError
            A change is invalid; the design stays as it was.
        """
        with self._lock:
            design = self.design.with_changes(changes)
            self.set_design(design.without_vain_removals(self.study.scenario.sources[0].data), slide)

    def set_design(self, design: Design, slide: object = None) -> None:
        """Make a design the current one, such as a pinned one.

        Raises
        ------
        InputError
            It is invalid, or its files have changed on disk.
        """
        with self._lock:
            self.history = self.history.to(Step(design, self.study_of(design), slide))
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

    def study_of(self, design: Design) -> Study:
        """Study of a design, from the history or the pinned designs, or newly built.

        Raises
        ------
        InputError
            The design is invalid, or one of its files is not as it was when the page was opened.
        """
        with self._lock:
            steps = (*self.history.steps, *(pin.step for pin in self.pinned))
            study = next((step.study for step in steps if step.design.key == design.key), None)
            if study is not None:
                return study
            study = self.study.change(design.changes, documents=self.inputs.sources)
            hashes = {source.path.resolve(): source.sha256 for source in study.scenario.sources}
            self._refuse([path for path, sha256 in self.watch.hashes.items() if hashes.get(path, sha256) != sha256])
            return study

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
                step, latest = self.history.step, self.latest
            if latest is not None and latest.key == step.design.key and latest.complete:
                continue
            try:
                self._evaluate(step)
            except Exception as error:  # the next change must be answered, whatever went wrong with this one
                with self._lock:
                    self._fault = step.design.key, fault_text(error)
                    self._notify()

    def _evaluate(self, step: Step) -> None:
        options = replace(self.run_options, stopped=self._update_requested.is_set)
        name = self.name_of(step.design)
        for answer in step.study.growing(self.poses, options):
            if not self._publish(Snapshot(step.design.key, step.study, answer, name)):
                return

    def _publish(self, snapshot: Snapshot) -> bool:
        """Store a snapshot if it is of the current design; return whether it was."""
        with self._lock:
            if snapshot.key != self.design.key or snapshot.study is not self.current:
                return False
            self.latest, self._fault = snapshot, ("", "")
            self._notify()
            return True

    @property
    def snapshot(self) -> Snapshot | None:
        """Latest snapshot of the current design; None while there is none."""
        with self._lock:
            return self.latest if self.latest is not None and self.latest.key == self.design.key else None

    @property
    def fault(self) -> str:
        """What went wrong when the current design was evaluated; empty if nothing did."""
        key, text = self._fault
        return text if key == self.design.key else ""

    # --- pins --------------------------------------------------------------------------------------------------------

    def pin(self, name: str = "") -> None:
        """Pin the current design under a unique name, by default its own; a fifth pin replaces the oldest."""
        with self._lock:
            step, snapshot, first = self.history.step, self.snapshot, name or self.name_of(self.design)
            others = [pin for pin in self.pinned if pin.key != step.design.key]
            used_names, free_name, number = {pin.name for pin in others}, first, 1
            while free_name in used_names:
                number += 1
                free_name = f"{first} {number}"
            if snapshot is not None:
                snapshot = replace(snapshot, answer=replace(snapshot.answer, samples=None))
            self.pinned = (*others, Pinned(free_name, step, snapshot))[-MOST_PINNED:]
            self._notify()

    def unpin(self, key: str) -> None:
        """Remove a pinned design."""
        with self._lock:
            self.pinned = tuple(pin for pin in self.pinned if pin.key != key)
            self._notify()

    @property
    def note(self) -> str:
        """Note on the current design."""
        return self.notes.get(self.design.key, "")

    def write_note(self, text: str) -> None:
        """Write the note on the current design; it goes into its review."""
        with self._lock:
            self.notes = {**self.notes, self.design.key: text.strip()}
            self._notify()

    @property
    def content(self) -> SessionFile:
        """Content of the file that opens the same view later."""
        with self._lock:
            pins = tuple(SavedDesign(pin.name, pin.step.design, self.notes.get(pin.key, "")) for pin in self.pinned)
            current = SavedDesign("", self.design, self.note)
            return SessionFile(self.file, self.inputs.catalogue, current, pins)

    def restore(self, content: SessionFile) -> None:
        """Take designs, pinned ones and notes of a session file.

        Raises
        ------
        InputError
            A design does not go with the scenario.
        """
        opened = self.history.step
        for saved in (*content.pinned, content.current):
            self.set_design(saved.design)
            if saved.note:
                self.write_note(saved.note)
            if saved is not content.current:
                self.pin(saved.name)
        current = self.history.step  # an undo leads to the scenario as opened, not through the pinned designs
        self.history = History((opened,)) if current.design == opened.design else History((opened, current), 1)

    # --- files -------------------------------------------------------------------------------------------------------

    def mark_saved(self, saved: Saved) -> None:
        """Record that a design was saved to a file."""
        with self._lock:
            self.saved = saved
            self._notify()

    @property
    def changed_files(self) -> tuple[Path, ...]:
        """Input files that are no longer as they were read."""
        with self._lock:
            return self.watch.changed

    def refuse_changed_files(self) -> None:
        """Check that all input files are as they were read.

        Raises
        ------
        InputError
            Some are not: what is written or said of them now would not lead to what is shown.
        """
        self._refuse(self.changed_files)

    def _refuse(self, paths: list[Path] | tuple[Path, ...]) -> None:
        finding, accepted = "changed on disk since it was read", "the file as it was, or to read all files again"
        if paths:
            raise InputError(*(Problem(str(path), 0, 0, "", finding, accepted) for path in paths))

    def read_again(self, progress: Progress = no_progress) -> None:
        """Read all files again; the current design stays, pinned designs and the history are of the old files and end.

        Raises
        ------
        InputError
            A fault in the files, or the current design does not go with them; everything stays as it was.
        RunError
            A task has no pose that the arm can reach.
        """
        inputs = Inputs.read(self.file, self.inputs.catalogue, self.inputs.initial.changes)
        design = self.design
        step = Step(design, inputs.study.change(design.changes, documents=inputs.sources))
        poses = inputs.study.find(progress)
        with self._lock:
            self._take(inputs, step)
            self._poses, self.pinned, self.latest = poses, (), None
            self.generation += 1
            self._notify(design_changed=True)

    # --- background jobs ---------------------------------------------------------------------------------------------

    @property
    def job(self) -> Job | None:
        """The running job, or the latest one that finished."""
        with self._lock:
            return self.jobs.running or next(iter(self.jobs.finished), None)

    def request_of(self, design: Design) -> RunRequest:
        """Command line that samples a design with its plan, as long as the files are as they were read."""
        plan = self.study_of(design).scenario.plan
        changes = tuple(f"{path}={yaml_line(value)}" for path, value in design.changes.items())
        return RunRequest(str(self.file), plan.seed, plan.units, plan.visits, changes=changes)

    def start_job(self, name: str, work: Work) -> int:
        """Start a background job on the present design; return its number, 0 where another one is running."""
        with self._lock:
            step = self.history.step
            job_input = JobInput(
                self.name_of(step.design), step, self.snapshot, self.poses, self.study, self.request_of(step.design),
                self.inputs.catalogue, self.pinned, self.note,
            )  # fmt: skip
            return self.jobs.start(name, job_input, self.run_options, work)
