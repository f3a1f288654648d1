"""Command `armsim verify`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import (
    Changes,
    CommandResult,
    Output,
    command_words,
    input_files,
    option_words,
    run_command,
    with_option_groups,
)
from armsim.cli.options import Exclude, parse_line_numbers
from armsim.errors import InputError, Problem

if TYPE_CHECKING:
    from armsim.requirement import Verdict
    from armsim.run_options import Note, Progress


@with_option_groups
def verify(
    scenario: Annotated[Path, typer.Argument(help="Scenario that predicts the arm.")],
    measured: Annotated[Path, typer.Option(help="CSV with pose, x [mm], y [mm], z [mm]; optionally arm, visit.")],
    output: Output,
    changes: Changes,
    instrument: Annotated[
        str | None,
        typer.Option(
            help=(
                "Standard deviation of the instrument along an axis; that of the calibration block "
                "where not given, else none."
            )
        ),
    ] = None,
    exclude: Exclude = None,
) -> None:
    """Compare measured tool points with the prediction.

    Exit 1 if an arm contradicts it.
    """
    from armsim.documents.load import load_changed, load_scenario
    from armsim.study import Study

    instrument_std = None if instrument is None else _instrument_std(instrument)
    excluded = parse_line_numbers(exclude)
    study = Study(load_changed(load_scenario(scenario), changes.values))

    def work(progress: Progress, note: Note) -> CommandResult:
        from armsim.calibration.verify import verify as verify_measurement
        from armsim.documents.csv_columns import measurement_source
        from armsim.report.verification_review import verification_printout, verification_review

        verified = verify_measurement(study, measured, instrument_std, excluded)
        review = verification_review(verified, study.scenario, measurement_source(measured))
        notes = (*study.scenario.notes, *review.notes)
        state: Verdict = "met" if verified.compatible else "not met"
        return CommandResult(verified.to_dict, verification_printout(verified), notes, state, review)

    words = (*option_words("--instrument", instrument), *option_words("--exclude", exclude), *changes.words)
    rerun_command = command_words("verify", [scenario], None, "--measured", measured, *words)
    run_command(output, work, rerun_command, [measured, *input_files(study)])


def _instrument_std(text: str) -> float:
    from armsim.documents.units import accepted_units, read_quantity

    try:
        value = read_quantity(text, "length")
        if value < 0.0:
            raise ValueError(text)
    except ValueError as error:
        raise InputError(
            Problem("command line", 0, 0, "--instrument", repr(text[:60]), accepted_units("length"))
        ) from error
    return value
