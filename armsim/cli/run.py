"""Command `armsim run`."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import Changes, CommandResult, Output, Sampling, run_command, with_option_groups
from armsim.cli.options import Paper, Yes, parse_changes, require_library, results_name

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


@with_option_groups
def run(
    output: Output,
    sampling: Sampling,
    changes: Changes,
    execution: Execution,
    further_output: FurtherOutput,
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
    """Sample the population of built arms and write the report.

    Exit 1 if the requirement is not met, 4 if the sample does not resolve it.
    """
    from armsim.report.helpers import Helpers, helpers_for
    from armsim.report.reproduce import RunRequest, read_manifest

    sampling.check()
    if further_output.slides:
        require_library("pptx", "--slides", "slides")
    if further_output.workbook:
        require_library("openpyxl", "--workbook", "workbook")
    manifest: Manifest | None = None
    if reproduce is not None:
        conflicting = (sampling.seed, sampling.units, sampling.visits, scenario, further_output.catalogue) != (
            None,
        ) * 5
        if conflicting or further_output.what_if or changes.set_ or output.paper is not Paper.a4:
            raise _fault("--reproduce", "--reproduce with a scenario or other options", "the manifest alone")
        manifest = read_manifest(reproduce)
        request = replace(manifest.request, device=sampling.device_name)
        catalogue_path = None if request.catalogue is None else Path(request.catalogue)
        changed_scenario, options = _read(Path(request.scenario), catalogue_path, request.changes)
        study = replace(sampling, seed=request.seed, units=request.units, visits=request.visits).study(changed_scenario)
    elif scenario is None:
        raise _fault("SCENARIO", "missing", "a scenario file, or --reproduce with a manifest.json")
    else:
        changed_scenario, options = _read(scenario, further_output.catalogue, changes.set_ or ())
        study = sampling.study(changed_scenario)
        plan, catalogue = (
            study.scenario.plan,
            None if further_output.catalogue is None else str(further_output.catalogue),
        )
        request = RunRequest(
            str(scenario), plan.seed, plan.units, plan.visits, further_output.what_if, catalogue, output.paper.value,
            tuple(changes.set_ or ()), sampling.device_name,
        )  # fmt: skip
    if sweep is not None:
        if (reproduce, further_output, execution) != (None, FurtherOutput(), Execution(yes=execution.yes)):
            accepted = "a scenario, sizes, --set, --workers, --memory, --out"
            raise _fault("--sweep", "together with another way to run", accepted)
        from armsim.cli.sweep import run_sweep

        run_sweep(Path(request.scenario), study, sweep, output, sampling, changes)
        return
    default_folder = Path("results") / f"{results_name(Path(request.scenario))}{'' if manifest is None else '-again'}"
    inputs = [source.path for source in changed_scenario.sources]
    with Helpers(helpers_for(sampling.memory_limit, sampling.workers)) as helpers:

        def work(progress: Progress, note: Note) -> CommandResult:
            result, extras = _sample_run(
                study, options, request, sampling, execution, further_output, helpers, progress, note
            )
            notes = list(result.warnings)
            if manifest is not None and reproduce is not None:
                notes += _compare_with_manifest(manifest, result, reproduce)
            from armsim.report.run_folder import write_run_folder  # the libraries that draw are loaded last
            from armsim.report.run_tables import run_printout

            def write(folder: Path, on_written: Callable[[Path], None]) -> None:
                write_run_folder(
                    folder, result, study.scenario, request.command, progress, extras, request.paper, helpers,
                    on_written, request, further_output.slides,
                )  # fmt: skip

            return CommandResult(
                lambda: result.to_json().decode(), run_printout(result), notes, result.state, write=write
            )

        try:
            run_command(output, work, (), inputs, default_folder, Path(request.scenario))
        except typer.Exit:  # not met or not resolved
            helpers.stop()
            raise


def _sample_run(
    study: Study, options: Options | None, request: RunRequest, sampling: Sampling, execution: Execution,
    further_output: FurtherOutput, helpers: Helpers, progress: Progress, note: Note,
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
    max_seconds = math.inf if execution.yes else A_DAY
    run_options = sampling.options(progress, note)
    sampling_options = replace(
        run_options, processes=execution.processes, cluster=execution.cluster, max_seconds=max_seconds,
        memory_afterwards=DOCUMENT_MEMORY,
    )  # fmt: skip
    try:
        result = study.evaluate(poses, replace(sampling_options, memory=sampling_options.memory - helpers.memory))[0]
    except DoesNotFit:
        if not helpers.memory:
            raise
        helpers.stop()
        result = study.evaluate(poses, sampling_options)[0]
    extras = Extras()
    if request.what_if:
        from armsim.decide import what_if

        extras = replace(extras, what_ifs=what_if(study, run_options))
    if options is not None:
        from armsim.decide import trade_off

        extras = replace(extras, trade_off=trade_off(study, options, run_options))
    if further_output.workbook:
        from armsim.decide.live_budget import live_budgets

        extras = replace(extras, live_budgets=live_budgets(study, poses, result, progress))
    return result, extras


def _compare_with_manifest(manifest: Manifest, result: Result, path: Path) -> list[str]:
    """Compare a reproduced run with its manifest; return notes.

    Raises
    ------
    RunError
        The results differ from those of the manifest.
    """
    from armsim.errors import RunError
    from armsim.report.reproduce import difference

    code_difference = manifest.other_code(result)
    result_difference = difference(manifest.labelled(result), manifest.results_sha256, path.parent / "results.json")
    if result_difference is not None:
        why = "; ".join(filter(None, (result_difference, code_difference)))
        raise RunError(f"the results differ from those of {path}: {why}. Nothing was written")
    same_text = "to the bit" if manifest.sampled_on == result.sampled_on else "to the rounding of another device"
    return [
        *([code_difference] if code_difference else []),
        f"the inputs are unchanged, and the results are the same {same_text}",
    ]


def _fault(key: str, actual: str, accepted: str) -> InputError:
    from armsim.errors import InputError, Problem

    return InputError(Problem("command line", 0, 0, key, actual, accepted))


def _read(scenario: Path, catalogue: Path | None, changes: Sequence[str]) -> tuple[Scenario, Options | None]:
    from armsim.documents.load import load_changed, load_options, load_scenario

    change_values = parse_changes(changes)
    if catalogue is not None:
        return load_options(scenario, catalogue, change_values)
    return load_changed(load_scenario(scenario), change_values), None
