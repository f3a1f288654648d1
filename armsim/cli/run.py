"""armsim run"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
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
    Set,
    Units,
    Visits,
    Workers,
    Yes,
    bytes_of,
    called,
    changes_of,
    need,
)
from armsim.cli.printing import exit_of, print_table, printing, say, shown_run, stoppable, tell
from armsim.sampling.run_options import RunOptions

if TYPE_CHECKING:
    from armsim.errors import InputError
    from armsim.model.joint_options import Options
    from armsim.report.reproduce import Manifest
    from armsim.results import Result
    from armsim.scenario import Scenario


def run(
    scenario: Annotated[Path | None, typer.Argument(help="Scenario file.")] = None,
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
    slides: Annotated[bool, typer.Option("--slides", help="Write a deck too, a finding a slide.")] = False,
    workbook: Annotated[
        bool, typer.Option("--workbook", help="Write the budgets as a workbook with formulas too.")
    ] = False,
    set_: Set = None,
    sweep: Annotated[
        str | None, typer.Option(help="Sweep a value instead: PATH=FROM..TO:COUNT, as sampling.seed=1..8:8.")
    ] = None,
    reproduce: Annotated[Path | None, typer.Option(help="A manifest.json: do that run again and compare.")] = None,
    yes: Yes = False,
    json: Json = False,
) -> None:
    """Sample a population of built arms at every pose of every task; exit 1 if the requirement is not met."""
    from armsim.errors import DoesNotFit, RunError
    from armsim.report.helpers import DOCUMENT_MEMORY, Helpers, helpers_for
    from armsim.report.output_folder import check_destination
    from armsim.report.pictures import Extras
    from armsim.report.reproduce import RunRequest, difference, read_manifest
    from armsim.sampling.duration import A_DAY
    from armsim.sampling.kernels import made_ready
    from armsim.study import Study

    run_options = RunOptions(workers, bytes_of(memory))
    if slides:
        need("pptx", "--slides", "slides")
    if workbook:
        need("openpyxl", "--workbook", "workbook")
    manifest: Manifest | None = None
    if reproduce is not None:
        given = (scenario, seed, units, visits, catalogue) != (None,) * 5 or what_if or set_ or paper is not Paper.a4
        if given:
            raise _fault("--reproduce", "a manifest beside a scenario or what it is asked for", "the manifest alone")
        manifest = read_manifest(reproduce)
        asked = manifest.asked
        ready, options = _read(
            Path(asked.scenario), None if asked.catalogue is None else Path(asked.catalogue), asked.changes
        )
        study = Study(ready).with_plan(asked.units, asked.visits, asked.seed)
    elif scenario is None:
        raise _fault("SCENARIO", "missing", "a scenario file, or --reproduce with a manifest.json")
    else:
        changes = tuple(set_ or ())
        ready, options = _read(scenario, catalogue, changes)
        study = Study(ready).with_plan(units, visits, seed)
        plan = study.scenario.plan
        listed = None if catalogue is None else str(catalogue)
        asked = RunRequest(str(scenario), plan.seed, plan.units, plan.visits, what_if, listed, paper.value, changes)
    if sweep is not None:
        if reproduce is not None or what_if or catalogue is not None or processes or cluster is not None:
            raise _fault(
                "--sweep", "another way to run beside it", "a scenario, sizes, --set, --workers, --memory, --out"
            )
        from armsim.cli.sweep import sweep_of

        assert scenario is not None  # held above
        place = out or Path("results") / f"{called(scenario)}-sweep"
        if code := exit_of(sweep_of(study, sweep, place, scenario, run_options, json)):
            raise typer.Exit(code)
        return
    folder = out or Path("results") / f"{called(Path(asked.scenario))}{'' if manifest is None else '-again'}"
    own = Path(asked.scenario) if out is None else None
    check_destination(folder, [source.path for source in ready.sources], own)
    with stoppable() as written, Helpers(helpers_for(run_options.memory, workers)) as helpers:
        with shown_run(run_options) as run_options:
            progress = run_options.progress
            with made_ready(run_options.note) as wait_for_kernels:
                found = study.find(progress)
                wait_for_kernels()
            longest = math.inf if yes else A_DAY
            of_run = replace(
                run_options, processes=processes, cluster=cluster, longest=longest, afterwards=DOCUMENT_MEMORY
            )
            try:
                beside_helpers = replace(of_run, memory=of_run.memory - helpers.memory)
                result = study.evaluate(found, beside_helpers)[0]
            except DoesNotFit:
                if not helpers.memory:
                    raise
                helpers.stop()
                result = study.evaluate(found, of_run)[0]
            if reproduce is not None and manifest is not None:
                earlier = reproduce.parent / "results.json"
                differs = difference(manifest.labelled(result), manifest.results_sha256, earlier)
                if differs is not None:
                    why = "; ".join(filter(None, (differs, manifest.other_code(result))))
                    raise RunError(f"the results are not those of {reproduce}: {why}. Nothing was written")
            extras = Extras()
            if asked.what_if:
                from armsim.decide import what_if as change

                extras = replace(extras, what_ifs=change(study, run_options))
            if options is not None:
                from armsim.decide import trade_off

                extras = replace(extras, curve=trade_off(study, options, run_options))
            if workbook:
                from armsim.decide.live_budget import live_budgets

                extras = replace(extras, budgets=live_budgets(study, found, result, progress))
            from armsim.report.run_folder import write_run_folder  # the libraries that draw are loaded last

            command = asked.command
            write_run_folder(
                folder,
                result,
                study.scenario,
                command,
                progress,
                extras,
                asked.paper,
                helpers,
                written.append,
                asked,
                slides,
            )
        with printing(folder):
            if json:
                sys.stdout.write(result.to_json().decode())
            else:
                _print(result)
        for warning in result.warnings:
            say(f"note: {warning}")
        if manifest is not None:
            if manifest.other_code(result):
                say(f"note: {manifest.other_code(result)}")
            say("the inputs are as they were, and the results are the same to the bit")
        say(f"report: {folder / 'report.html'}")
    if exit_of(result.state):
        raise typer.Exit(exit_of(result.state))


def _fault(key: str, found: str, accepted: str) -> InputError:
    from armsim.errors import InputError, Problem

    return InputError(Problem("command line", 0, 0, key, found, accepted))


def _read(scenario: Path, catalogue: Path | None, changes: Sequence[str]) -> tuple[Scenario, Options | None]:
    from armsim.documents.load import load_changed, load_options, load_scenario

    wanted = changes_of(changes)
    if catalogue is not None:
        return load_options(scenario, catalogue, wanted)
    return load_changed(load_scenario(scenario), wanted), None


def _print(result: Result) -> None:
    from armsim.cli.motion_tables import print_motion, print_operation
    from armsim.formatting import percent
    from armsim.report.verdict import largest_causes, task_table

    tasks = task_table(result)
    rows = []
    for task, row in zip(result.tasks, tasks.rows, strict=True):
        groups = task.summary.groups
        group = max(groups, key=lambda name: groups[name])
        cells = [cell.text for cell in row]
        rows.append((*cells[:-1], f"{group} {percent(groups[group], 2)}", cells[-1]))
    title = f"{result.scenario}; sensors {result.price:g} cost units"
    print_table(title, (*tasks.headers[:-1], "largest group", tasks.headers[-1]), rows)
    for task in result.tasks:
        tell(f"{task.name}: largest parts of the mean square error: {largest_causes(task.summary.contributions)}")
    print_motion(result.motion)
    print_operation(result.operation)
    for reason in result.reasons:
        tell(reason)
