"""armsim trade-off"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import (
    Changes,
    Output,
    Reply,
    Sampling,
    calibrated_study,
    command_words,
    files_of,
    grouped,
    option,
    reply,
)
from armsim.cli.options import Arms, Calibrated, Catalogue

if TYPE_CHECKING:
    from armsim.run_options import Note, Progress


@grouped
def trade_off(
    scenario: Annotated[Path, typer.Argument(help="Scenario file with a requirement.")],
    catalogue: Catalogue,
    output: Output,
    sampling: Sampling,
    changes: Changes,
    calibrated: Calibrated = False,
    arms: Arms = None,
) -> None:
    """Price against error: the designs that are Pareto-optimal by first order."""
    from armsim.documents.load import load_options

    sampling.check()
    ready, options = load_options(scenario, catalogue, changes.values, arms)
    study = calibrated_study(sampling.study_of(ready), calibrated)

    def work(progress: Progress, note: Note) -> Reply:
        from armsim.decide import trade_off as curve_of
        from armsim.report.trade_off_review import trade_off_printout, trade_off_review

        curve = curve_of(study, options, sampling.options(progress, note))
        review = trade_off_review(curve, study.scenario)
        return Reply(curve.to_dict, trade_off_printout(curve), review.notes, review=review)

    words = (
        "--catalogue",
        catalogue,
        *changes.words,
        *(["--calibrated"] if calibrated else []),
        *option("--arms", arms),
    )
    reply(output, work, command_words("trade-off", [scenario], study.scenario.plan, *words), files_of(study))
