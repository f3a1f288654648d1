"""armsim sensitivity"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import Changes, Output, Reply, Sampling, grouped, study_reply

if TYPE_CHECKING:
    from armsim.run_options import RunOptions
    from armsim.study import Study


@grouped
def sensitivity(
    scenario: Annotated[Path, typer.Argument(help="Scenario file.")],
    output: Output,
    sampling: Sampling,
    changes: Changes,
) -> None:
    """Sensitivity of the tool-point error to each data-sheet value: per unit of the value, and for a 10 % reduction."""

    def answer(study: Study, run_options: RunOptions) -> Reply:
        from armsim.decide import sensitivities
        from armsim.report.sensitivity_review import sensitivity_printout, sensitivity_review

        table = sensitivities(study, run_options)
        review = sensitivity_review(table, study.scenario)
        return Reply(table.to_dict, sensitivity_printout(table), review.notes, review=review)

    study_reply("sensitivity", scenario, output, sampling, changes, answer)
