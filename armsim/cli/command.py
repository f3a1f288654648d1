"""Common part of all commands: groups of options, progress, result folder, JSON or tables, notes, exit code."""

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
    DEFAULT_MEMORY,
    Device,
    DeviceName,
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
    parse_changes,
    parse_memory,
)
from armsim.cli.printing import (
    exit_code,
    interrupt_errors,
    output_errors,
    print_frame,
    print_json,
    print_line,
    print_note,
    progress_bars,
)
from armsim.processors import processors
from armsim.run_options import Device as DeviceChoice
from armsim.run_options import RunOptions

if TYPE_CHECKING:
    from armsim.report.frame import Frame
    from armsim.report.review import Review
    from armsim.requirement import Verdict
    from armsim.run_options import Note, Progress
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
    memory: Memory = DEFAULT_MEMORY
    device: DeviceName = Device.cpu

    @property
    def memory_limit(self) -> int:
        """Memory limit. [byte]"""
        return parse_memory(self.memory)

    @property
    def threads(self) -> int:
        """Number of threads: the option, or else the number of processors."""
        return self.workers or processors()

    @property
    def device_name(self) -> DeviceChoice:
        """Device that samples, as run options take it."""
        return self.device.value

    def options(self, progress: Progress, note: Note) -> RunOptions:
        """Run options with callbacks for progress and notes."""
        return RunOptions(self.threads, self.memory_limit, progress=progress, note=note, device=self.device_name)

    def check(self) -> None:
        """Check the options that are parsed later, before any work.

        Raises
        ------
        InputError
            An option is invalid.
        """
        parse_memory(self.memory)
        if self.device is not Device.cpu:
            from armsim.sampling.devices import check_device  # loads the compiler

            check_device(RunOptions(device=self.device_name))

    def study(self, scenario: Scenario) -> Study:
        """Study of a scenario with the sample sizes of these options."""
        from armsim.study import Study

        return Study(scenario).with_plan(self.units, self.visits, self.seed)

    def read_study(self, scenario: Path, changes: Changes) -> Study:
        """Read a scenario, apply changes and the sample sizes of these options."""
        from armsim.documents.load import load_changed, load_scenario

        self.check()
        return self.study(load_changed(load_scenario(scenario), changes.values))


@dataclass(frozen=True)
class Changes:
    """Options that change a scenario."""

    set_: Set = None

    @property
    def values(self) -> dict[str, Any]:
        """Changes by path."""
        return parse_changes(self.set_)

    @property
    def words(self) -> list[str]:
        """Command-line words of the changes."""
        return [word for change in self.set_ or () for word in ("--set", change)]


@dataclass(frozen=True)
class Output:
    """Options that say where the result goes, and in which format."""

    out: Out = None
    paper: PaperSize = Paper.a4
    json: Json = False


def with_option_groups(command: Callable[..., None]) -> Callable[..., None]:
    """Decorate a command so that each parameter of a dataclass type becomes one option per field."""
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
            option_parameter = inspect.Parameter(
                field.name, kind, default=field.default, annotation=options[field.name]
            )
            parameters.append(option_parameter)

    @functools.wraps(command)
    def with_options(**arguments: Any) -> None:
        for name, group in groups.items():
            arguments[name] = group(**{field.name: arguments.pop(field.name, field.default) for field in fields(group)})
        command(**arguments)

    del with_options.__wrapped__
    with_options.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    with_options.__annotations__ = {parameter.name: parameter.annotation for parameter in parameters}
    return with_options


def command_words(name: str, scenarios: Sequence[Path], plan: SamplingPlan | None, *more: object) -> list[object]:
    """Command-line words that repeat a command, with explicit sample sizes."""
    sizes = () if plan is None else ("--seed", plan.seed, "--units", plan.units, "--visits", plan.visits)
    return ["armsim", name, *scenarios, *sizes, *more]


def option_words(name: str, value: object) -> tuple[object, ...]:
    """Command-line words of an option with its value; none where the value is None."""
    return () if value is None else (name, value)


def input_files(*studies: Study) -> list[Path]:
    """Input files of studies."""
    return [source.path for study in studies for source in study.scenario.sources]


def calibrated_study(study: Study, calibrated: bool) -> Study:
    """The study itself, or, with ``calibrated``, that of arms after the scenario's calibration."""
    if not calibrated:
        return study
    from armsim.calibration.calibrated_study import calibrated_study as after_calibration

    return after_calibration(study)


@dataclass(frozen=True, eq=False)
class CommandResult:
    """Result of a command.

    Parameters
    ----------
    record : callable
        Returns the machine result, or its text.
    printout : iterable of Frame or str
        Tables and sentences for the terminal.
    notes : iterable of str
    state : Verdict
        Determines the exit code.
    review : Review, optional
        Content of the folder.
    write : callable, optional
        Writes the folder, in place of `write_review`.
    document_kind : str
        Kind of the additional document.
    next_command : str
        Command that goes on with that document.
    """

    record: Callable[[], Mapping[str, Any] | str]
    printout: Iterable[Frame | str]
    notes: Iterable[str] = ()
    state: Verdict = "none stated"
    review: Review | None = None
    write: Callable[[Path, Callable[[Path], None]], None] | None = None
    document_kind: str = "scenario"
    next_command: str = ""


def run_command(
    output: Output,
    work: Callable[[Progress, Note], CommandResult],
    command: Sequence[object] = (),
    inputs: Iterable[Path] = (),
    default_folder: Path | None = None,
    scenario: Path | None = None,
    write_document: Callable[[], Path | None] = lambda: None,
) -> None:
    """Run a command: compute, write the folder, print, and exit with its code.

    Parameters
    ----------
    output : Output
    work : callable
        Computes the reply; called with callbacks for progress and notes.
    command : sequence
        Command-line words that repeat the command.
    inputs : iterable of Path
        Input files, which must not be overwritten.
    default_folder : Path, optional
        Folder without ``--out``; no folder is written where None.
    scenario : Path, optional
        Scenario whose earlier result in that folder may be replaced.
    write_document : callable
        Writes a further file after the folder; returns its path or None.
    """
    folder = output.out or default_folder
    if folder is not None:
        from armsim.report.output_folder import check_destination

        check_destination(folder, inputs, scenario if output.out is None else None)
    with interrupt_errors() as written_paths:
        with progress_bars() as (progress, note):
            answer = work(progress, note)
            if folder is not None and answer.write is not None:
                answer.write(folder, written_paths.append)
            elif folder is not None and answer.review is not None:
                from armsim.report.review import write_review

                rerun_command = shlex.join(map(str, command))
                write_review(folder, answer.review, rerun_command, output.paper.value, progress, written_paths.append)
        written = write_document()
        written_paths += [] if written is None else [written]
        print_result(answer, output.json, folder, written)
    exit_by(answer.state)


def run_study_command(
    name: str,
    scenario: Path,
    output: Output,
    sampling: Sampling,
    changes: Changes,
    answer: Callable[[Study, RunOptions], CommandResult],
) -> None:
    """Run a command that takes one scenario with changes.

    Parameters
    ----------
    name : str
        Name of the command.
    scenario : Path
    output : Output
    sampling : Sampling
    changes : Changes
    answer : callable
        Computes the reply of a study.
    """
    study = sampling.read_study(scenario, changes)
    rerun_command = command_words(name, [scenario], study.scenario.plan, *changes.words)
    run_command(
        output,
        lambda progress, note: answer(study, sampling.options(progress, note)),
        rerun_command,
        input_files(study),
    )


def print_result(answer: CommandResult, json: bool, folder: Path | None = None, written: Path | None = None) -> None:
    """Print a reply, its notes, and the paths of its files."""
    with output_errors(written or folder):
        if json:
            record = answer.record()
            sys.stdout.write(record) if isinstance(record, str) else print_json(record)
        else:
            print_blocks(answer.printout)
    for text in dict.fromkeys(answer.notes):
        print_note(f"note: {text}")
    if written is not None:
        print_note(f"{answer.document_kind}: {written}")
        if answer.next_command:
            print_note(f"next: {answer.next_command}")
    if folder is not None:
        print_note(f"report: {folder / 'report.html'}")


def print_blocks(printout: Iterable[Frame | str]) -> None:
    """Print frames and sentences on standard output."""
    for block in printout:
        if isinstance(block, str):
            print_line(block)
        else:
            print_frame(block)


def exit_by(state: Verdict) -> None:
    """Exit with the code of a state."""
    if exit_code(state):
        raise typer.Exit(exit_code(state))
