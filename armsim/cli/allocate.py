"""Command `armsim allocate`."""

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

if TYPE_CHECKING:
    from armsim.requirement import Verdict
    from armsim.run_options import Note, Progress


@with_option_groups
def allocate(
    scenario: Annotated[Path, typer.Argument(help="Scenario file with a requirement.")],
    output: Output,
    sampling: Sampling,
    changes: Changes,
    exponent: Annotated[float, typer.Option(min=0.1, max=10, help="Price law: an error s costs s^-exponent.")] = 1.0,
) -> None:
    """Derive the error budget of every sensor from the requirement.

    Exit 1 if there is none that meets it.
    """
    study = sampling.read_study(scenario, changes)

    def work(progress: Progress, note: Note) -> CommandResult:
        from armsim.decide import allocate as allocate_errors
        from armsim.report.allocation_tables import allocation_printout, allocation_review

        allocation = allocate_errors(study, exponent, sampling.options(progress, note))
        review = allocation_review(allocation, study.scenario)
        state: Verdict = "met" if allocation.met else "not met"
        return CommandResult(allocation.to_dict, allocation_printout(allocation), review.notes, state, review)

    words = ("--exponent", exponent, *changes.words)
    run_command(output, work, command_words("allocate", [scenario], study.scenario.plan, *words), input_files(study))
