"""armsim trade-off"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.options import (
    MEMORY,
    Catalogue,
    Json,
    Memory,
    Out,
    Seed,
    Units,
    Visits,
    Workers,
    bytes_of,
    print_machine,
    printing,
    screen,
    shown_progress,
)

if TYPE_CHECKING:
    from armsim.decide import TradeOff


def trade_off(
    scenario: Annotated[Path, typer.Argument(help="Scenario file with a requirement.")],
    catalogue: Catalogue,
    out: Out = None,
    seed: Seed = None,
    units: Units = None,
    visits: Visits = None,
    workers: Workers = None,
    memory: Memory = MEMORY,
    json: Json = False,
) -> None:
    """Price against error: every design for which nothing cheaper errs less."""
    from armsim.decide import trade_off as curve_of
    from armsim.documents.load import load_options
    from armsim.report import check_destination, write_trade_off
    from armsim.study import Study

    allowed = bytes_of(memory)
    ready, options = load_options(scenario, catalogue)
    study = Study(ready).with_plan(units, visits, seed)
    if out is not None:
        check_destination(out, [source.path for source in ready.sources])
    with shown_progress() as (progress, note):
        curve = curve_of(study, options, workers or os.cpu_count() or 1, progress, allowed, note)
    if out is not None:
        assert ready.requirement is not None  # held by the search
        write_trade_off(out, curve, ready.requirement.coverage)
    with printing(out):
        if json:
            print_machine(curve.to_dict())
        else:
            _print(curve)
    if out is not None:
        print(f"trade-off: {out}", file=sys.stderr)


def _print(curve: TradeOff) -> None:
    from rich.table import Table

    from armsim.present import show

    console = screen(120)
    table = Table(title=f"{curve.scenario}: designs for which nothing cheaper errs less", title_justify="left")
    groups = list(dict.fromkeys(group for point in curve.points for group in point.spending))
    headers = ("price", "first order", "sampled", "at", *(f"spent on {group}" for group in groups), "does not keep")
    for name in headers:
        table.add_column(name)
    for point in curve.points:
        spent = [f"{point.spending.get(group, 0.0):g}" for group in groups]
        sizes = show(point.predicted), show(point.sampled)
        table.add_row(f"{point.price:g}", *sizes, point.pose, *spent, ", ".join(point.failed) or "nothing")
    console.print(table)
    console.print(
        f"as it is: {show(curve.current)} with sensors for {curve.current_price:g}; required {show(curve.position)}",
        highlight=False,
    )
