"""armsim calibrate"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import Changes, Output, Reply, Sampling, files_of, grouped, option, reply, typed
from armsim.cli.options import called

if TYPE_CHECKING:
    from armsim.sampling.run_options import Note, Progress


@grouped
def calibrate(
    scenario: Annotated[Path, typer.Argument(help="Scenario with a calibration: block.")],
    output: Output,
    sampling: Sampling,
    changes: Changes,
    measured: Annotated[
        Path | None, typer.Option(help="CSV of measured arms as of verify: they are identified, at their own poses.")
    ] = None,
) -> None:
    """What calibration leaves: every built arm measured, identified, corrected; exit 1 if the requirement is missed."""
    from armsim.calibration.calibrated_study import asked_of

    study = sampling.read(scenario, changes)
    asked_of(study)
    files = [] if measured is None else [measured]

    def work(progress: Progress, note: Note) -> Reply:
        from armsim.decide.calibration_study import calibrate as study_of
        from armsim.documents.csv_columns import source_of
        from armsim.report.calibration_review import calibration_review, calibration_shown

        calibrated = study_of(study, sampling.options(progress, note), measured)
        review = calibration_review(calibrated, [source_of(file) for file in files])
        warnings = (text for result in calibrated.comparison.results for text in result.warnings)
        every = (*study.scenario.notes, *review.notes, *warnings)
        return Reply(calibrated.to_dict, calibration_shown(calibrated), every, calibrated.state, review)

    default = Path("results") / f"{called(scenario)}-calibrated"
    again = typed("calibrate", [scenario], study.scenario.plan, *option("--measured", measured), *changes.words)
    reply(output, work, again, [*files_of(study), *files], default, scenario)
