"""armsim run"""

from __future__ import annotations

import os
import shlex
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.options import (
    MEMORY,
    Json,
    Memory,
    Paper,
    PaperSize,
    Seed,
    Units,
    Visits,
    Workers,
    bytes_of,
    shown_progress,
)

if TYPE_CHECKING:
    from armsim.documents import Scenario
    from armsim.model.options import Options
    from armsim.results import Result


def run(
    scenario: Annotated[Path, typer.Argument(help="Scenario file.")],
    out: Annotated[Path | None, typer.Option(help="Folder for the result; results/NAME where not given.")] = None,
    seed: Seed = None,
    units: Units = None,
    visits: Visits = None,
    workers: Workers = None,
    processes: Annotated[bool, typer.Option("--processes", help="Take processes in place of threads.")] = False,
    cluster: Annotated[str | None, typer.Option(help="Address of a dask.distributed scheduler to sample on.")] = None,
    memory: Memory = MEMORY,
    what_if: Annotated[bool, typer.Option("--what-if", help="Work out the what-ifs too, for the document.")] = False,
    catalogue: Annotated[Path | None, typer.Option(help="Work out the trade-off with this catalogue too.")] = None,
    paper: PaperSize = Paper.a4,
    json: Json = False,
) -> None:
    """Sample a population of built arms at every pose of every task; exit 1 if the requirement is not met."""
    from armsim.report import CONTENTS, Extras, check_destination, write_bundle
    from armsim.study import Study

    allowed = bytes_of(memory)
    ready, options = _read(scenario, catalogue)
    study = Study(ready).with_plan(units, visits, seed)
    folder = out if out is not None else Path("results") / scenario.stem
    check_destination(folder, CONTENTS)
    with shown_progress() as (progress, note):
        result = study.run(workers, progress, allowed, processes, cluster, note)
        plan = study.scenario.plan
        command = (
            f"armsim run {shlex.quote(str(scenario))} --seed {plan.seed} --units {plan.units} --visits {plan.visits}"
        )
        command += " --what-if" * what_if
        command += "" if catalogue is None else f" --catalogue {shlex.quote(str(catalogue))}"
        extras = Extras()
        if what_if:
            from armsim.decide import what_if as change

            extras = replace(extras, what_ifs=change(study, workers or os.cpu_count() or 1, progress, allowed, note))
        if options is not None:
            from armsim.decide import trade_off

            curve = trade_off(study, options, workers or os.cpu_count() or 1, progress, allowed, note)
            extras = replace(extras, curve=curve)
        write_bundle(folder, result, study.scenario, command, progress, extras, paper.value)
    if json:
        sys.stdout.write(result.to_json().decode())
    else:
        _print(result)
    for warning in result.warnings:
        print(f"note: {warning}", file=sys.stderr)
    print(f"report: {folder / 'report.html'}", file=sys.stderr)
    if result.met is False:
        raise typer.Exit(1)


def _read(scenario: Path, catalogue: Path | None) -> tuple[Scenario, Options | None]:
    from armsim.documents.load import load_options, load_scenario

    return (load_scenario(scenario), None) if catalogue is None else load_options(scenario, catalogue)


def _print(result: Result) -> None:
    from rich.console import Console
    from rich.table import Table

    from armsim.present import percent, show, show_interval

    table = Table(title=result.scenario, title_justify="left")
    for name in (
        "task",
        "poses",
        "worst pose",
        "95 % of errors within",
        "RP, 95 % of units",
        "yield",
        "largest group",
        "requirement",
    ):
        table.add_column(name)
    for task in result.tasks:
        summary, judged = task.summary, task.summary.yield_
        passed = "–"
        if judged is not None:
            low, high = judged.interval
            passed = f"{percent(judged.value)} ({percent(low)} to {percent(high)})"
        group = max(summary.groups, key=lambda name: summary.groups[name])
        table.add_row(
            task.name,
            str(len(task.poses)),
            summary.worst_pose,
            show_interval(summary.p95, summary.p95_interval),
            show(summary.repeatability_p95),
            passed,
            f"{group} {percent(summary.groups[group], 2)}",
            "none" if summary.met is None else ("met" if summary.met else "not met"),
        )
    console = Console(width=None if sys.stdout.isatty() else 160)
    console.print(table)
    for task in result.tasks:
        for reason in task.summary.reasons:
            console.print(f"{task.name}: {reason}", highlight=False)
