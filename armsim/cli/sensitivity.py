"""armsim sensitivity"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.options import MEMORY, Json, Memory, Out, Seed, Set, Units, Visits, Workers, bytes_of, changes_of
from armsim.cli.printing import print_machine, print_table, printing, say, shown_run, stoppable
from armsim.sampling.run_options import RunOptions

if TYPE_CHECKING:
    from armsim.decide import Sensitivities

SHOWN = 15
"""Numbers and shares of a task on screen; all stand in sensitivity.json."""


def sensitivity(
    scenario: Annotated[Path, typer.Argument(help="Scenario file.")],
    out: Out = None,
    seed: Seed = None,
    units: Units = None,
    visits: Visits = None,
    workers: Workers = None,
    memory: Memory = MEMORY,
    set_: Set = None,
    json: Json = False,
) -> None:
    """What every line of the data sheets does at the tool: per unit of it, and by a tenth of it less."""
    from armsim.documents.load import load_changed, load_scenario
    from armsim.report.output_folder import check_destination
    from armsim.report.sensitivity_review import write_sensitivities
    from armsim.study import Study

    run_options = RunOptions(workers, bytes_of(memory))
    study = Study(load_changed(load_scenario(scenario), changes_of(set_))).with_plan(units, visits, seed)
    if out is not None:
        check_destination(out, [source.path for source in study.scenario.sources])
    from armsim.decide import sensitivities

    with shown_run(run_options) as run_options:
        found = sensitivities(study, run_options)
    with stoppable() as landed:
        if out is not None:
            write_sensitivities(out, found, landed.append)
        with printing(out):
            if json:
                print_machine(found.to_dict())
            else:
                _print(found)
        for warning in found.result.warnings:
            say(f"note: {warning}")
        if out is not None:
            say(f"sensitivity: {out}")


def _print(found: Sensitivities) -> None:
    from armsim.report.sensitivity_review import LINES, PARTS, line_rows, part_rows, title

    for task in found.result.tasks:
        print_table(title(found, task.name), LINES, line_rows(found, task.name)[:SHOWN], right=(1, 2, 3, 4))
        print_table(
            f"{task.name}: shares of the mean square error", PARTS, part_rows(found, task.name)[:SHOWN], right=(2, 3)
        )
