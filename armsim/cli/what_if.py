"""armsim what-if"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import Changes, Output, Reply, Sampling, grouped, study_reply

if TYPE_CHECKING:
    from armsim.run_options import RunOptions
    from armsim.study import Study


@grouped
def what_if(
    scenario: Annotated[Path, typer.Argument(help="Scenario file.")],
    output: Output,
    sampling: Sampling,
    changes: Changes,
) -> None:
    """Effect of single improvements: each joint without error, each cause halved, each encoder one bit finer."""

    def answer(study: Study, run_options: RunOptions) -> Reply:
        from armsim.decide import what_if as evaluate_changes
        from armsim.report.what_if_review import what_if_printout, what_if_review

        table = evaluate_changes(study, run_options)
        review = what_if_review(table, study.scenario)
        return Reply(table.to_dict, what_if_printout(table), review.notes, review=review)

    study_reply("what-if", scenario, output, sampling, changes, answer)
