"""armsim compare"""

from __future__ import annotations

import json as js
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.run import bytes_of, shown_progress

if TYPE_CHECKING:
    from armsim.decide import Comparison


def compare(
    scenarios: Annotated[list[Path], typer.Argument(help="Scenario files; the first is what others are held against.")],
    out: Annotated[Path | None, typer.Option(help="Folder for tables and figures; none where not given.")] = None,
    seed: Annotated[int | None, typer.Option(min=0, help="Seed of the random numbers.")] = None,
    units: Annotated[int | None, typer.Option(min=1, help="Built units.")] = None,
    visits: Annotated[int | None, typer.Option(min=1, help="Visits of every unit to every pose.")] = None,
    workers: Annotated[int | None, typer.Option(min=1, help="Threads; all processors where not given.")] = None,
    memory: Annotated[str, typer.Option(help="Memory that may be taken, such as 500MiB or 2GiB.")] = "1GiB",
    json: Annotated[bool, typer.Option("--json", help="Print comparison.json in place of the tables.")] = False,
) -> None:
    """Hold designs against the first: same poses, same random numbers, differences with 95 % intervals."""
    import armsim
    from armsim.report import COMPARISON, check_destination, write_comparison

    allowed = bytes_of(memory)
    studies = [armsim.load(scenario) for scenario in scenarios]
    studies[0] = studies[0].with_plan(units, visits, seed)
    if out is not None:
        check_destination(out, COMPARISON)
    from armsim.decide import compare as held_against

    with shown_progress() as (progress, note):
        comparison = held_against(studies, workers or os.cpu_count() or 1, progress, allowed, note)
    if out is not None:
        write_comparison(out, comparison)
    if json:
        js.dump(comparison.to_dict(), sys.stdout, indent=1, ensure_ascii=False, allow_nan=False)
        sys.stdout.write("\n")
    else:
        _print(comparison)
    if out is not None:
        print(f"comparison: {out}", file=sys.stderr)


def _print(comparison: Comparison) -> None:
    from rich.console import Console
    from rich.table import Table

    from armsim.decide.compare import summary_rows

    rows = summary_rows(comparison)
    table = Table(title="differences to the first design, with 95 % intervals", title_justify="left")
    for name in rows[0]:
        table.add_column(name)
    for row in rows:
        table.add_row(*row.values(), end_section=False)
    console = Console(width=None if sys.stdout.isatty() else 200)
    console.print(table)
    for difference in comparison.differences:
        console.print(difference.sentence + ".", highlight=False)
        if difference.flips:
            some = ", ".join(difference.flips[:4])
            more = f" and {len(difference.flips) - 4} more" if len(difference.flips) > 4 else ""
            console.print(f"  the order flips at {some}{more}", highlight=False)
