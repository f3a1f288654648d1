"""armsim allocate"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import Changes, Output, Reply, Sampling, grouped, reply
from armsim.cli.options import Json

if TYPE_CHECKING:
    from armsim.sampling.run_options import Note, Progress


@grouped
def allocate(
    scenario: Annotated[Path, typer.Argument(help="Scenario file with a requirement.")],
    sampling: Sampling,
    changes: Changes,
    exponent: Annotated[float, typer.Option(min=0.1, max=10, help="Price law: an error s costs s^-exponent.")] = 1.0,
    json: Json = False,
) -> None:
    """From the requirement at the tool point to an error budget for the sensor of every joint; exit 1 without one."""
    study = sampling.read(scenario, changes)

    def work(progress: Progress, note: Note) -> Reply:
        from armsim.decide import allocate as share_out
        from armsim.report.allocation_tables import allocation_printout

        allocation = share_out(study, exponent, sampling.options(progress, note))
        printout = allocation_printout(allocation)
        return Reply(allocation.to_dict, printout, state="met" if allocation.met else "not met")

    reply(Output(json=json), work)
