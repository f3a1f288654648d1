"""armsim what-if"""

from __future__ import annotations

import json as js
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.run import bytes_of, shown_progress

if TYPE_CHECKING:
    from armsim.decide import WhatIfs

SHOWN = 12
"""Changes of a task on screen; all stand in what-if.json."""


def what_if(
    scenario: Annotated[Path, typer.Argument(help="Scenario file.")],
    out: Annotated[Path | None, typer.Option(help="Folder for table and figures; none where not given.")] = None,
    seed: Annotated[int | None, typer.Option(min=0, help="Seed of the random numbers.")] = None,
    units: Annotated[int | None, typer.Option(min=1, help="Built units.")] = None,
    visits: Annotated[int | None, typer.Option(min=1, help="Visits of every unit to every pose.")] = None,
    workers: Annotated[int | None, typer.Option(min=1, help="Threads; all processors where not given.")] = None,
    memory: Annotated[str, typer.Option(help="Memory that may be taken, such as 500MiB or 2GiB.")] = "1GiB",
    json: Annotated[bool, typer.Option("--json", help="Print what-if.json in place of the table.")] = False,
) -> None:
    """Where money helps: each joint without error, each cause halved, each encoder one bit finer."""
    import armsim
    from armsim.report import WHAT_IF, check_destination, write_what_if

    allowed = bytes_of(memory)
    study = armsim.load(scenario).with_plan(units, visits, seed)
    if out is not None:
        check_destination(out, WHAT_IF)
    from armsim.decide import what_if as change

    with shown_progress() as (progress, note):
        table = change(study, workers or os.cpu_count() or 1, progress, allowed, note)
    if out is not None:
        write_what_if(out, table)
    if json:
        js.dump(table.to_dict(), sys.stdout, indent=1, ensure_ascii=False, allow_nan=False)
        sys.stdout.write("\n")
    else:
        _print(table)
    if out is not None:
        print(f"what if: {out}", file=sys.stderr)


def _print(table: WhatIfs) -> None:
    from rich.console import Console
    from rich.table import Table

    from armsim.present import points, show, signed

    console = Console(width=None if sys.stdout.isatty() else 120)
    for task in table.result.tasks:
        worst = f"95 % of errors within {show(task.summary.p95)} at the worst pose"
        screen = Table(title=f"{task.name}: {worst}; what if", title_justify="left")
        for name in ("change", "of", "95 % quantile", "yield"):
            screen.add_column(name)
        for row in table.of(task.name)[:SHOWN]:
            passed = "" if row.passing is None else points(row.passing.value, row.passing.interval)
            screen.add_row(row.kind, row.what, signed(row.p95.value, row.p95.interval), passed)
        console.print(screen)
