"""armsim what-if"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.options import MEMORY, Json, Memory, Out, Seed, Set, Units, Visits, Workers, bytes_of, changes_of
from armsim.cli.printing import print_machine, print_table, printing, say, shown_run, stoppable
from armsim.sampling.run_options import RunOptions

if TYPE_CHECKING:
    from armsim.decide import WhatIfs

SHOWN = 12
"""Changes of a task on screen; all stand in what-if.json."""


def what_if(
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
    """Where money helps: each joint without error, each cause halved, each encoder one bit finer."""
    from armsim.documents.load import load_changed, load_scenario
    from armsim.report.comparison import write_what_if
    from armsim.report.output_folder import check_destination
    from armsim.study import Study

    run_options = RunOptions(workers, bytes_of(memory))
    study = Study(load_changed(load_scenario(scenario), changes_of(set_))).with_plan(units, visits, seed)
    if out is not None:
        check_destination(out, [source.path for source in study.scenario.sources])
    from armsim.decide import what_if as change

    with shown_run(run_options) as run_options:
        table = change(study, run_options)
    with stoppable() as landed:
        if out is not None:
            write_what_if(out, table, landed.append)
        with printing(out):
            if json:
                print_machine(table.to_dict())
            else:
                _print(table)
        for warning in table.result.warnings:
            say(f"note: {warning}")
        if out is not None:
            say(f"what if: {out}")


def _print(table: WhatIfs) -> None:
    from armsim.formatting import points, signed

    for task in table.result.tasks:
        decides = task.summary.judgements[0]
        worst = f"{decides.statistic} within {decides.figure} at the worst pose"
        rows = []
        for row in table.of(task.name)[:SHOWN]:
            passed = "" if row.passing is None else points(row.passing.value, row.passing.interval)
            rows.append((row.kind, row.what, signed(*row.at_coverage), passed))
        print_table(f"{task.name}: {worst}; what if", ("change", "of", table.result.quantile, "yield"), rows)
