"""armsim verify"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import Changes, Output, Reply, command_words, files_of, grouped, option, reply
from armsim.cli.options import Exclude, excluded_of
from armsim.errors import InputError, Problem

if TYPE_CHECKING:
    from armsim.requirement import Verdict
    from armsim.run_options import Note, Progress


@grouped
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
    """Measured tool points of built arms against the predicted population; exit 1 where an arm is not as predicted."""
    from armsim.documents.load import load_changed, load_scenario
    from armsim.study import Study

    size = None if instrument is None else _size(instrument)
    excluded = excluded_of(exclude)
    study = Study(load_changed(load_scenario(scenario), changes.values))

    def work(progress: Progress, note: Note) -> Reply:
        from armsim.calibration.verify import verify as verify_measurement
        from armsim.documents.csv_columns import measurement_source
        from armsim.report.verification_review import verification_printout, verification_review

        verified = verify_measurement(study, measured, size, excluded)
        review = verification_review(verified, study.scenario, measurement_source(measured))
        notes = (*study.scenario.notes, *review.notes)
        state: Verdict = "met" if verified.compatible else "not met"
        return Reply(verified.to_dict, verification_printout(verified), notes, state, review)

    words = (*option("--instrument", instrument), *option("--exclude", exclude), *changes.words)
    rerun_command = command_words("verify", [scenario], None, "--measured", measured, *words)
    reply(output, work, rerun_command, [measured, *files_of(study)])


def _size(text: str) -> float:
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
