"""Command `armsim trade-off`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import (
    Changes,
    CommandResult,
    Output,
    Sampling,
    calibrated_study,
    command_words,
    input_files,
    option_words,
    run_command,
    with_option_groups,
)
from armsim.cli.options import Arms, Calibrated, Catalogue

if TYPE_CHECKING:
    from armsim.run_options import Note, Progress


@with_option_groups
def trade_off(
    scenario: Annotated[Path, typer.Argument(help="Scenario file with a requirement.")],
    catalogue: Catalogue,
    output: Output,
    sampling: Sampling,
    changes: Changes,
    calibrated: Calibrated = False,
    arms: Arms = None,
) -> None:
    """Find the designs with the least error for every price.

    They are Pareto-optimal by first order.
    """
    from armsim.documents.load import load_options

    sampling.check()
    changed_scenario, options = load_options(scenario, catalogue, changes.values, arms)
    study = calibrated_study(sampling.study(changed_scenario), calibrated)

    def work(progress: Progress, note: Note) -> CommandResult:
        from armsim.decide import trade_off as compute_trade_off
        from armsim.report.trade_off_review import trade_off_printout, trade_off_review

        curve = compute_trade_off(study, options, sampling.options(progress, note))
        review = trade_off_review(curve, study.scenario)
        return CommandResult(curve.to_dict, trade_off_printout(curve), review.notes, review=review)

    words = (
        "--catalogue",
        catalogue,
        *changes.words,
        *(["--calibrated"] if calibrated else []),
        *option_words("--arms", arms),
    )
    run_command(output, work, command_words("trade-off", [scenario], study.scenario.plan, *words), input_files(study))
