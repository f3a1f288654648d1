"""armsim run"""

from __future__ import annotations

import re
import shlex
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from armsim.engine.run import Note, Progress
    from armsim.results import Result


def run(
    scenario: Annotated[Path, typer.Argument(help="Scenario file.")],
    out: Annotated[Path | None, typer.Option(help="Folder for the result; results/NAME where not given.")] = None,
    seed: Annotated[int | None, typer.Option(min=0, help="Seed of the random numbers.")] = None,
    units: Annotated[int | None, typer.Option(min=1, help="Built units.")] = None,
    visits: Annotated[int | None, typer.Option(min=1, help="Visits of every unit to every pose.")] = None,
    workers: Annotated[int | None, typer.Option(min=1, help="Threads; all processors where not given.")] = None,
    processes: Annotated[bool, typer.Option("--processes", help="Take processes in place of threads.")] = False,
    cluster: Annotated[str | None, typer.Option(help="Address of a dask.distributed scheduler to sample on.")] = None,
    memory: Annotated[str, typer.Option(help="Memory that may be taken, such as 500MiB or 2GiB.")] = "1GiB",
    json: Annotated[bool, typer.Option("--json", help="Print results.json in place of the tables.")] = False,
) -> None:
    """Sample a population of built arms at every pose of every task; exit 1 if the requirement is not met."""
    import armsim
    from armsim.report import check_destination, write_bundle

    allowed = bytes_of(memory)
    study = armsim.load(scenario).with_plan(units, visits, seed)
    folder = out if out is not None else Path("results") / scenario.stem
    check_destination(folder)
    with shown_progress() as (progress, note):
        result = study.run(workers, progress, allowed, processes, cluster, note)
        plan = study.scenario.plan
        command = (
            f"armsim run {shlex.quote(str(scenario))} --seed {plan.seed} --units {plan.units} --visits {plan.visits}"
        )
        write_bundle(folder, result, study.scenario, command, progress)
    if json:
        sys.stdout.write(result.to_json().decode())
    else:
        _print(result)
    for warning in result.warnings:
        print(f"note: {warning}", file=sys.stderr)
    print(f"report: {folder / 'report.html'}", file=sys.stderr)
    if result.met is False:
        raise typer.Exit(1)


_BYTES = {"B": 1, "kB": 1e3, "MB": 1e6, "GB": 1e9, "TB": 1e12, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30, "TiB": 2**40}


def bytes_of(text: str) -> int:
    """A size of memory in bytes."""
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([A-Za-z]+)\s*", text)
    if found is None or found[2] not in _BYTES or float(found[1]) <= 0:
        from armsim.errors import InputError, Problem

        accepted = f"a number with one of {', '.join(_BYTES)}, such as 2GiB"
        raise InputError(Problem("command line", 0, 0, "--memory", repr(text), accepted))
    return int(float(found[1]) * _BYTES[found[2]])


@contextmanager
def shown_progress() -> Iterator[tuple[Progress, Note]]:
    """Bars on a terminal, nothing elsewhere; notes on both."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda task, done, total: None, lambda text: print(text, file=sys.stderr)
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed}/{task.total}"))
    with Progress(*columns, TimeRemainingColumn(), console=console) as bars:
        known: dict[str, TaskID] = {}

        def advance(task: str, done: int, total: int) -> None:
            if task not in known:
                known[task] = bars.add_task(task, total=total)
            bars.update(known[task], completed=done, total=total)

        yield advance, lambda text: console.print(text, highlight=False)


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
