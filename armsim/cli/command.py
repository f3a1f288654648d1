"""One frame of all commands that answer: options in groups, progress, folder, JSON or tables, notes, exit code."""

from __future__ import annotations

import functools
import inspect
import shlex
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_type_hints

import typer

from armsim.cli.options import (
    MEMORY,
    Json,
    Memory,
    Out,
    Paper,
    PaperSize,
    Seed,
    Set,
    Units,
    Visits,
    Workers,
    bytes_of,
    changes_of,
)
from armsim.cli.printing import exit_of, print_frame, print_machine, printing, say, shown_progress, stoppable, tell
from armsim.processors import processors
from armsim.sampling.run_options import RunOptions

if TYPE_CHECKING:
    from armsim.report.frame import Frame
    from armsim.report.review import Review
    from armsim.requirement import Verdict
    from armsim.sampling.run_options import Note, Progress
    from armsim.sampling_plan import SamplingPlan
    from armsim.scenario import Scenario
    from armsim.study import Study


@dataclass(frozen=True)
class Sampling:
    """Options of a command that samples."""

    seed: Seed = None
    units: Units = None
    visits: Visits = None
    workers: Workers = None
    memory: Memory = MEMORY

    @property
    def allowed(self) -> int:
        """Memory that may be taken. [byte]"""
        return bytes_of(self.memory)

    @property
    def threads(self) -> int:
        """As many as are asked for, or as there are processors."""
        return self.workers or processors()

    def options(self, progress: Progress, note: Note) -> RunOptions:
        """Where to sample, and whom to tell how far it is."""
        return RunOptions(self.threads, self.allowed, progress=progress, note=note)

    def check(self) -> None:
        """See whether the options can be read, before anything else is.

        Raises
        ------
        InputError
            One of them cannot.
        """
        bytes_of(self.memory)

    def applied(self, scenario: Scenario) -> Study:
        """The study of a scenario with the sizes that are asked for."""
        from armsim.study import Study

        return Study(scenario).with_plan(self.units, self.visits, self.seed)

    def read(self, scenario: Path, changes: Changes) -> Study:
        """The study of a scenario with its changes, and the sizes that are asked for."""
        from armsim.documents.load import load_changed, load_scenario

        self.check()
        return self.applied(load_changed(load_scenario(scenario), changes.values))


@dataclass(frozen=True)
class Changes:
    """Changes of a scenario."""

    set_: Set = None

    @property
    def values(self) -> dict[str, Any]:
        """By path."""
        return changes_of(self.set_)

    @property
    def words(self) -> list[str]:
        """As they are typed."""
        return [word for change in self.set_ or () for word in ("--set", change)]


@dataclass(frozen=True)
class Output:
    """Where the answer goes."""

    out: Out = None
    paper: PaperSize = Paper.a4
    json: Json = False


def grouped(command: Callable[..., None]) -> Callable[..., None]:
    """The command with every parameter that is a group of options, a dataclass, taken apart into its options."""
    hints = get_type_hints(command, include_extras=True)
    parameters: list[inspect.Parameter] = []
    groups: dict[str, type] = {}
    for name, parameter in inspect.signature(command).parameters.items():
        if not is_dataclass(hints[name]):
            parameters.append(parameter.replace(annotation=hints[name], kind=inspect.Parameter.KEYWORD_ONLY))
            continue
        groups[name] = hints[name]
        options = get_type_hints(hints[name], include_extras=True)
        for field in fields(hints[name]):
            kind = inspect.Parameter.KEYWORD_ONLY
            option = inspect.Parameter(field.name, kind, default=field.default, annotation=options[field.name])
            parameters.append(option)

    @functools.wraps(command)
    def taken_apart(**given: Any) -> None:
        for name, group in groups.items():
            given[name] = group(**{field.name: given.pop(field.name, field.default) for field in fields(group)})
        command(**given)

    del taken_apart.__wrapped__
    taken_apart.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    taken_apart.__annotations__ = {parameter.name: parameter.annotation for parameter in parameters}
    return taken_apart


def typed(name: str, scenarios: Sequence[Path], plan: SamplingPlan | None, *more: object) -> list[object]:
    """What to type to do it again, with the sizes of the sample spelled out."""
    sizes = () if plan is None else ("--seed", plan.seed, "--units", plan.units, "--visits", plan.visits)
    return ["armsim", name, *scenarios, *sizes, *more]


def option(name: str, value: object) -> tuple[object, ...]:
    """An option with its value, nothing where it was not given."""
    return () if value is None else (name, value)


def files_of(*studies: Study) -> list[Path]:
    """Files that studies were read from."""
    return [source.path for study in studies for source in study.scenario.sources]


def calibrated_study(study: Study, calibrated: bool) -> Study:
    """The study, of arms after the calibration of its scenario if so wanted."""
    if not calibrated:
        return study
    from armsim.calibration.calibrated_study import calibrated as after_calibration

    return after_calibration(study)


@dataclass(frozen=True, eq=False)
class Reply:
    """What a command has to say.

    Parameters
    ----------
    record : callable
        The machine result, or its text, where that is wanted.
    shown : iterable of Frame or str
        Tables and sentences for people.
    notes : iterable of str
    state : Verdict
        Which tells the exit code.
    review : Review, optional
        Of the folder.
    write : callable, optional
        Writes the folder where that takes more than `write_review`.
    """

    record: Callable[[], Mapping[str, Any] | str]
    shown: Iterable[Frame | str]
    notes: Iterable[str] = ()
    state: Verdict = "none stated"
    review: Review | None = None
    write: Callable[[Path, Callable[[Path], None]], None] | None = None


def reply(
    output: Output,
    work: Callable[[Progress, Note], Reply],
    command: Sequence[object] = (),
    inputs: Iterable[Path] = (),
    default: Path | None = None,
    made_from: Path | None = None,
    then: Callable[[], Path | None] = lambda: None,
) -> None:
    """Work, write the folder, print, and end with the exit code.

    Parameters
    ----------
    output : Output
    work : callable
        What is answered, told where to show its progress and notes.
    command : sequence
        What to type to do it again.
    inputs : iterable of Path
        Files that are read.
    default : Path, optional
        Folder where none is named; none is written without one.
    made_from : Path, optional
        Scenario whose earlier result in that folder may be replaced.
    then : callable
        Writes what is asked for besides, after the folder; a file or None.
    """
    folder = output.out or default
    if folder is not None:
        from armsim.report.output_folder import check_destination

        check_destination(folder, inputs, made_from if output.out is None else None)
    with stoppable() as landed:
        with shown_progress() as (progress, note):
            answer = work(progress, note)
            if folder is not None and answer.write is not None:
                answer.write(folder, landed.append)
            elif folder is not None and answer.review is not None:
                from armsim.report.review import write_review

                again = shlex.join(map(str, command))
                write_review(folder, answer.review, again, output.paper.value, progress, landed.append)
        written = then()
        landed += [] if written is None else [written]
        conclude(answer, output.json, folder, written)
    end(answer.state)


def conclude(answer: Reply, json: bool, folder: Path | None = None, written: Path | None = None) -> None:
    """Print an answer, its notes, and where its files are."""
    with printing(written or folder):
        if json:
            record = answer.record()
            sys.stdout.write(record) if isinstance(record, str) else print_machine(record)
        else:
            show(answer.shown)
    for text in dict.fromkeys(answer.notes):
        say(f"note: {text}")
    if written is not None:
        say(f"scenario: {written}")
    if folder is not None:
        say(f"report: {folder / 'report.html'}")


def show(shown: Iterable[Frame | str]) -> None:
    """Frames and sentences on standard output."""
    for part in shown:
        if isinstance(part, str):
            tell(part)
        else:
            print_frame(part)


def end(state: Verdict) -> None:
    """Leave with the exit code of a state."""
    if exit_of(state):
        raise typer.Exit(exit_of(state))
