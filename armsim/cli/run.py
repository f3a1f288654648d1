"""armsim run"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import Changes, Output, Reply, Sampling, grouped, reply
from armsim.cli.options import Paper, Yes, changes_of, need, results_name

if TYPE_CHECKING:
    from armsim.errors import InputError
    from armsim.model.joint_options import Options
    from armsim.report.helpers import Helpers
    from armsim.report.pictures import Extras
    from armsim.report.reproduce import Manifest, RunRequest
    from armsim.results import Result
    from armsim.run_options import Note, Progress
    from armsim.scenario import Scenario
    from armsim.study import Study


@dataclass(frozen=True)
class Execution:
    """Options of where a run is executed, and how long it may take."""

    processes: Annotated[bool, typer.Option("--processes", help="Use processes instead of threads.")] = False
    cluster: Annotated[str | None, typer.Option(help="Address of a dask.distributed scheduler to sample on.")] = None
    yes: Yes = False


@dataclass(frozen=True)
class FurtherOutput:
    """Options of further analyses and files of a run."""

    what_if: Annotated[bool, typer.Option("--what-if", help="Add what-if changes to the report.")] = False
    catalogue: Annotated[
        Path | None, typer.Option(help=("Add the price-error trade-off with this catalogue to the report."))
    ] = None
    slides: Annotated[bool, typer.Option("--slides", help="Also write slides, one finding per slide.")] = False
    workbook: Annotated[
        bool, typer.Option("--workbook", help="Also write a workbook of the budgets, with formulas.")
    ] = False


@grouped
def run(
    output: Output,
    sampling: Sampling,
    changes: Changes,
    execution: Execution,
    further: FurtherOutput,
    scenario: Annotated[Path | None, typer.Argument(help="Scenario file.")] = None,
    sweep: Annotated[
        str | None,
        typer.Option(
            help=("Sweep one value instead of a single run: PATH=FROM..TO:COUNT, such as sampling.seed=1..8:8.")
        ),
    ] = None,
    reproduce: Annotated[
        Path | None, typer.Option(help="A manifest.json: repeat that run and compare the results.")
    ] = None,
) -> None:
    """Sample a population of built arms at every pose of every task; exit 1 if the requirement is not met, 4 if the
    sample does not resolve it."""
    from armsim.report.helpers import Helpers, helpers_for
    from armsim.report.reproduce import RunRequest, read_manifest

    sampling.check()
    if further.slides:
        need("pptx", "--slides", "slides")
    if further.workbook:
        need("openpyxl", "--workbook", "workbook")
    manifest: Manifest | None = None
    if reproduce is not None:
        conflicting = (sampling.seed, sampling.units, sampling.visits, scenario, further.catalogue) != (None,) * 5
        if conflicting or further.what_if or changes.set_ or output.paper is not Paper.a4:
            raise _fault("--reproduce", "--reproduce beside a scenario or other options", "the manifest alone")
        manifest = read_manifest(reproduce)
        request = replace(manifest.request, device=sampling.device_name)
        listed = None if request.catalogue is None else Path(request.catalogue)
        ready, options = _read(Path(request.scenario), listed, request.changes)
        study = replace(sampling, seed=request.seed, units=request.units, visits=request.visits).study_of(ready)
    elif scenario is None:
        raise _fault("SCENARIO", "missing", "a scenario file, or --reproduce with a manifest.json")
    else:
        ready, options = _read(scenario, further.catalogue, changes.set_ or ())
        study = sampling.study_of(ready)
        plan, catalogue = study.scenario.plan, None if further.catalogue is None else str(further.catalogue)
        request = RunRequest(
            str(scenario), plan.seed, plan.units, plan.visits, further.what_if, catalogue, output.paper.value,
            tuple(changes.set_ or ()), sampling.device_name,
        )  # fmt: skip
    if sweep is not None:
        if (reproduce, further, execution) != (None, FurtherOutput(), Execution(yes=execution.yes)):
            accepted = "a scenario, sizes, --set, --workers, --memory, --out"
            raise _fault("--sweep", "another way to run beside it", accepted)
        from armsim.cli.sweep import run_sweep

        run_sweep(Path(request.scenario), study, sweep, output, sampling, changes)
        return
    default = Path("results") / f"{results_name(Path(request.scenario))}{'' if manifest is None else '-again'}"
    inputs = [source.path for source in ready.sources]
    with Helpers(helpers_for(sampling.memory_limit, sampling.workers)) as helpers:

        def work(progress: Progress, note: Note) -> Reply:
            result, extras = _sampled(study, options, request, sampling, execution, further, helpers, progress, note)
            notes = list(result.warnings)
            if manifest is not None and reproduce is not None:
                notes += _compared(manifest, result, reproduce)
            from armsim.report.run_folder import write_run_folder  # the libraries that draw are loaded last
            from armsim.report.run_tables import run_printout

            def write(folder: Path, on_written: Callable[[Path], None]) -> None:
                write_run_folder(
                    folder, result, study.scenario, request.command, progress, extras, request.paper, helpers,
                    on_written, request, further.slides,
                )  # fmt: skip

            return Reply(lambda: result.to_json().decode(), run_printout(result), notes, result.state, write=write)

        reply(output, work, (), inputs, default, Path(request.scenario))


def _sampled(
    study: Study, options: Options | None, request: RunRequest, sampling: Sampling, execution: Execution,
    further: FurtherOutput, helpers: Helpers, progress: Progress, note: Note,
) -> tuple[Result, Extras]:  # fmt: skip
    """Compute the result and the further analyses."""
    from armsim.errors import DoesNotFit
    from armsim.report.helpers import DOCUMENT_MEMORY
    from armsim.report.pictures import Extras
    from armsim.sampling.duration import A_DAY
    from armsim.sampling.kernels import compiled_kernels

    with compiled_kernels(progress, note) as wait_for_kernels:
        poses = study.find(progress)
        wait_for_kernels()
    longest = math.inf if execution.yes else A_DAY
    run_options = sampling.options(progress, note)
    of_run = replace(
        run_options, processes=execution.processes, cluster=execution.cluster, max_seconds=longest,
        memory_afterwards=DOCUMENT_MEMORY,
    )  # fmt: skip
    try:
        result = study.evaluate(poses, replace(of_run, memory=of_run.memory - helpers.memory))[0]
    except DoesNotFit:
        if not helpers.memory:
            raise
        helpers.stop()
        result = study.evaluate(poses, of_run)[0]
    extras = Extras()
    if request.what_if:
        from armsim.decide import what_if

        extras = replace(extras, what_ifs=what_if(study, run_options))
    if options is not None:
        from armsim.decide import trade_off

        extras = replace(extras, trade_off=trade_off(study, options, run_options))
    if further.workbook:
        from armsim.decide.live_budget import live_budgets

        extras = replace(extras, live_budgets=live_budgets(study, poses, result, progress))
    return result, extras


def _compared(manifest: Manifest, result: Result, path: Path) -> list[str]:
    """Compare a reproduced run with its manifest; return notes.

    Raises
    ------
    RunError
        The results differ from those of the manifest.
    """
    from armsim.errors import RunError
    from armsim.report.reproduce import difference

    other = manifest.other_code(result)
    differs = difference(manifest.labelled(result), manifest.results_sha256, path.parent / "results.json")
    if differs is not None:
        why = "; ".join(filter(None, (differs, other)))
        raise RunError(f"the results differ from those of {path}: {why}. Nothing was written")
    same = "to the bit" if manifest.sampled_on == result.sampled_on else "to the rounding of another device"
    return [*([other] if other else []), f"the inputs are unchanged, and the results are the same {same}"]


def _fault(key: str, actual: str, accepted: str) -> InputError:
    from armsim.errors import InputError, Problem

    return InputError(Problem("command line", 0, 0, key, actual, accepted))


def _read(scenario: Path, catalogue: Path | None, changes: Sequence[str]) -> tuple[Scenario, Options | None]:
    from armsim.documents.load import load_changed, load_options, load_scenario

    change_values = changes_of(changes)
    if catalogue is not None:
        return load_options(scenario, catalogue, change_values)
    return load_changed(load_scenario(scenario), change_values), None
