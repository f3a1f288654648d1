"""Command `armsim compare`."""

from __future__ import annotations

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
    run_command,
    with_option_groups,
)
from armsim.cli.options import results_name

if TYPE_CHECKING:
    from armsim.run_options import Note, Progress


@with_option_groups
def compare(
    scenarios: Annotated[list[Path], typer.Argument(help="Scenario files; the others are compared with the first.")],
    output: Output,
    sampling: Sampling,
    changes: Changes,
) -> None:
    """Compare designs with the first one given.

    All at the same poses with the same random numbers: differences with 95 % intervals.
    """
    studies = [sampling.read_study(scenario, changes) for scenario in scenarios]

    def work(progress: Progress, note: Note) -> CommandResult:
        from armsim.decide import compare as compare_designs
        from armsim.report.comparison_review import comparison_printout, comparison_review

        comparison = compare_designs(studies, sampling.options(progress, note))
        review = comparison_review(comparison, [study.scenario for study in studies])
        return CommandResult(comparison.to_dict, comparison_printout(comparison), review.notes, review=review)

    default_folder = Path("results") / f"{results_name(scenarios[0])}-compared"
    rerun_command = command_words("compare", scenarios, studies[0].scenario.plan, *changes.words)
    run_command(output, work, rerun_command, input_files(*studies), default_folder, scenarios[0])
