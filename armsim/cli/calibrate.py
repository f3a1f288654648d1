"""Command `armsim calibrate`."""

from __future__ import annotations

import os
import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import (
    Changes,
    CommandResult,
    Output,
    Sampling,
    command_words,
    input_files,
    option_words,
    run_command,
    with_option_groups,
)
from armsim.cli.options import Exclude, check_new_file, parse_line_numbers, results_name, write_all_new
from armsim.errors import InputError, Problem

if TYPE_CHECKING:
    from armsim.requirement import Verdict
    from armsim.run_options import Note, Progress


@with_option_groups
def calibrate(
    scenario: Annotated[Path, typer.Argument(help="Scenario with a calibration: block.")],
    output: Output,
    sampling: Sampling,
    changes: Changes,
    measured: Annotated[
        Path | None,
        typer.Option(help=("CSV of measured arms, as for verify: they are identified from their own poses.")),
    ] = None,
    exclude: Exclude = None,
    write: Annotated[
        Path | None,
        typer.Option(help="Arm file to write with the measured arm as identified (and its URDF file beside it)."),
    ] = None,
) -> None:
    """Compute the error that remains after calibration.

    Exit 1 if the requirement is not met or readings contradict the prediction, 4 if the sample does not resolve it.
    """
    from armsim.calibration.calibrated_study import calibration_of

    study = sampling.read_study(scenario, changes)
    calibration_of(study)
    excluded = parse_line_numbers(exclude)
    if excluded and measured is None:
        raise InputError(Problem("command line", 0, 0, "--exclude", "no --measured", "lines of a measured file"))
    if write is not None:
        if measured is None:
            raise InputError(Problem("command line", 0, 0, "--write", "no --measured", "a file of one measured arm"))
        from armsim.report.identified_arm import urdf_file_next_to

        for file in filter(None, (write, urdf_file_next_to(study.scenario, write))):
            check_new_file(file, "--write")
    files = [] if measured is None else [measured]
    arm_texts: dict[Path, str] = {}

    def work(progress: Progress, note: Note) -> CommandResult:
        from armsim.decide.calibration_study import calibrate as run_calibration
        from armsim.documents.csv_columns import measurement_source
        from armsim.report.calibration_review import calibration_printout, calibration_review

        calibrated = run_calibration(study, sampling.options(progress, note), measured, excluded)
        if write is not None:
            from armsim.report.identified_arm import arm_files

            arm_texts.update(arm_files(calibrated, write))
        review = calibration_review(calibrated, [measurement_source(file) for file in files])
        warnings = (text for result in calibrated.comparison.results for text in result.warnings)
        notes = (*study.scenario.notes, *review.notes, *warnings)
        state: Verdict = "not met" if calibrated.contradicting else calibrated.state
        printout, next_command = calibration_printout(calibrated), _next_command(scenario, write)
        return CommandResult(
            calibrated.to_dict, printout, notes, state, review, document_kind="arm", next_command=next_command
        )

    def write_arm_files() -> Path | None:
        write_all_new(arm_texts)
        return write

    default_folder = Path("results") / f"{results_name(scenario)}-calibrated"
    files_words = (*option_words("--measured", measured), *option_words("--exclude", exclude))
    rerun_command = command_words("calibrate", [scenario], study.scenario.plan, *files_words, *changes.words)
    run_command(output, work, rerun_command, [*input_files(study), *files], default_folder, scenario, write_arm_files)


def _next_command(scenario: Path, arm: Path | None) -> str:
    """Command that runs a scenario with another arm file; empty where there is none."""
    if arm is None:
        return ""
    reference = Path(os.path.relpath(arm, scenario.parent)).as_posix()
    return shlex.join(["armsim", "run", str(scenario), "--set", f"arm={reference}"])
