"""armsim calibrate"""

from __future__ import annotations

import shlex
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
    bytes_of,
    called,
    changes_of,
)
from armsim.cli.printing import exit_of, print_machine, print_table, printing, say, shown_run, stoppable, tell
from armsim.sampling.run_options import RunOptions

if TYPE_CHECKING:
    from armsim.decide.calibration_study import Calibrated


def calibrate(
    scenario: Annotated[Path, typer.Argument(help="Scenario with a calibration: block.")],
    measured: Annotated[
        Path | None, typer.Option(help="CSV of measured arms as of verify: they are identified, at their own poses.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Folder; results/NAME-calibrated where not given.")] = None,
    seed: Seed = None,
    units: Units = None,
    visits: Visits = None,
    workers: Workers = None,
    memory: Memory = MEMORY,
    paper: PaperSize = Paper.a4,
    set_: Set = None,
    json: Json = False,
) -> None:
    """What calibration leaves: every built arm measured, identified, corrected; exit 1 if the requirement is missed."""
    from armsim.calibration.calibrated_study import asked_of
    from armsim.decide.calibration_study import calibrate as work_out
    from armsim.documents.csv_columns import source_of
    from armsim.documents.load import load_changed, load_scenario
    from armsim.report.calibration_review import notes, write_calibrated
    from armsim.report.output_folder import check_destination
    from armsim.study import Study

    run_options = RunOptions(workers, bytes_of(memory))
    study = Study(load_changed(load_scenario(scenario), changes_of(set_))).with_plan(units, visits, seed)
    asked_of(study)
    folder = out or Path("results") / f"{called(scenario)}-calibrated"
    inputs = [source.path for source in study.scenario.sources] + ([] if measured is None else [measured])
    check_destination(folder, inputs, scenario if out is None else None)
    with stoppable() as landed:
        with shown_run(run_options) as run_options:
            found = work_out(study, run_options, measured)
            plan = study.scenario.plan
            words = ["armsim", "calibrate", str(scenario), "--seed", plan.seed, "--units", plan.units]
            words += ["--visits", plan.visits]
            words += [] if measured is None else ["--measured", measured]
            for change in set_ or ():
                words += ["--set", change]
            command = shlex.join(str(word) for word in words)
            read = () if measured is None else (source_of(measured),)
            write_calibrated(folder, found, read, command, paper.value, run_options.progress, landed.append)
        with printing(folder):
            if json:
                print_machine(found.to_dict())
            else:
                _print(found)
        warnings = [text for result in found.comparison.results for text in result.warnings]
        for text in dict.fromkeys([*study.scenario.notes, *notes(found.record), *warnings]):
            say(f"note: {text}")
        say(f"poses: {folder / 'tables' / 'poses.csv'}")
        say(f"report: {folder / 'report.html'}")
    if exit_of(found.state):
        raise typer.Exit(exit_of(found.state))


def _print(found: Calibrated) -> None:
    from armsim.formatting import significant
    from armsim.report import decision_sentences
    from armsim.report.calibration_review import (
        CURVE,
        PARAMETERS,
        SHOWN,
        STEPS,
        VALUES,
        curve_rows,
        parameter_rows,
        sentences,
        step_rows,
        value_rows,
    )

    record = found.record
    rows = [
        {key: own for key, own in row.items() if key != "price"}
        for row in decision_sentences.summary_rows(found.comparison)
    ]
    print_table("before and after, with 95 % intervals", list(rows[0]), [list(row.values()) for row in rows])
    print_table("error that a built arm keeps", STEPS, step_rows(record), right=(1, 2))
    listed = parameter_rows(record)
    more = f", {SHOWN} of {len(listed)}; all in the report" if len(listed) > SHOWN else ""
    print_table(f"identified{more}", PARAMETERS, listed[:SHOWN], right=(1, 2, 3, 4))
    for arm in record.arms:
        print_table(f"{arm.name}: identified, the most certain first", VALUES, value_rows(arm)[:SHOWN], right=(1, 2, 3))
    if record.curve:
        print_table("error left against the number of poses", CURVE, curve_rows(record), right=(0, 1, 2, 3, 4))
    tell(f"observability: {', '.join(f'{name} {significant(value)}' for name, value in record.observability.items())}")
    for sentence in sentences(found):
        tell(f"{sentence}.")
