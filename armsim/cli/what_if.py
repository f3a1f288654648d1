"""armsim what-if"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import Changes, Output, Reply, Sampling, files_of, grouped, reply, typed

if TYPE_CHECKING:
    from armsim.sampling.run_options import Note, Progress


@grouped
def what_if(
    scenario: Annotated[Path, typer.Argument(help="Scenario file.")],
    output: Output,
    sampling: Sampling,
    changes: Changes,
) -> None:
    """Effect of single improvements: each joint without error, each cause halved, each encoder one bit finer."""
    study = sampling.read(scenario, changes)

    def work(progress: Progress, note: Note) -> Reply:
        from armsim.decide import what_if as change
        from armsim.report.what_if_review import what_if_printout, what_if_review

        table = change(study, sampling.options(progress, note))
        review = what_if_review(table, study.scenario)
        return Reply(table.to_dict, what_if_printout(table), review.notes, review=review)

    rerun_command = typed("what-if", [scenario], study.scenario.plan, *changes.words)
    reply(output, work, rerun_command, files_of(study))
