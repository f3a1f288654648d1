"""Command `armsim what-if`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import Changes, CommandResult, Output, Sampling, run_study_command, with_option_groups

if TYPE_CHECKING:
    from armsim.run_options import RunOptions
    from armsim.study import Study


@with_option_groups
def what_if(
    scenario: Annotated[Path, typer.Argument(help="Scenario file.")],
    output: Output,
    sampling: Sampling,
    changes: Changes,
) -> None:
    """Show the effect of single changes on every criterion.

    Each joint without error, each cause halved, each encoder a bit finer.
    """

    def answer(study: Study, run_options: RunOptions) -> CommandResult:
        from armsim.decide import what_if as evaluate_changes
        from armsim.report.what_if_review import what_if_printout, what_if_review

        table = evaluate_changes(study, run_options)
        review = what_if_review(table, study.scenario)
        return CommandResult(table.to_dict, what_if_printout(table), review.notes, review=review)

    run_study_command("what-if", scenario, output, sampling, changes, answer)
