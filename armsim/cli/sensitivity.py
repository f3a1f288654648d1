"""Command `armsim sensitivity`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import Changes, CommandResult, Output, Sampling, run_study_command, with_option_groups

if TYPE_CHECKING:
    from armsim.run_options import RunOptions
    from armsim.study import Study


@with_option_groups
def sensitivity(
    scenario: Annotated[Path, typer.Argument(help="Scenario file.")],
    output: Output,
    sampling: Sampling,
    changes: Changes,
) -> None:
    """Show the effect of every line of the data sheets.

    For one unit more of each value, and for a 10 % reduction.
    """

    def answer(study: Study, run_options: RunOptions) -> CommandResult:
        from armsim.decide import sensitivities
        from armsim.report.sensitivity_review import sensitivity_printout, sensitivity_review

        table = sensitivities(study, run_options)
        review = sensitivity_review(table, study.scenario)
        return CommandResult(table.to_dict, sensitivity_printout(table), review.notes, review=review)

    run_study_command("sensitivity", scenario, output, sampling, changes, answer)
