"""armsim sensitivity"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import Changes, Output, Reply, Sampling, files_of, grouped, reply, typed

if TYPE_CHECKING:
    from armsim.sampling.run_options import Note, Progress


@grouped
def sensitivity(
    scenario: Annotated[Path, typer.Argument(help="Scenario file.")],
    output: Output,
    sampling: Sampling,
    changes: Changes,
) -> None:
    """Sensitivity of the tool-point error to each data-sheet value: per unit of it, and by a tenth of it less."""
    study = sampling.read(scenario, changes)

    def work(progress: Progress, note: Note) -> Reply:
        from armsim.decide import sensitivities
        from armsim.report.sensitivity_review import sensitivity_printout, sensitivity_review

        table = sensitivities(study, sampling.options(progress, note))
        review = sensitivity_review(table, study.scenario)
        return Reply(table.to_dict, sensitivity_printout(table), review.notes, review=review)

    rerun_command = typed("sensitivity", [scenario], study.scenario.plan, *changes.words)
    reply(output, work, rerun_command, files_of(study))
