"""armsim verify"""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.options import Json, Out, Paper, PaperSize, Set, changes_of
from armsim.cli.printing import print_machine, print_table, printing, say, shown_progress, stoppable, tell
from armsim.errors import InputError, Problem

if TYPE_CHECKING:
    from armsim.calibration.verify import Verified


def verify(
    scenario: Annotated[Path, typer.Argument(help="Scenario that predicts the arm.")],
    measured: Annotated[Path, typer.Option(help="CSV with pose, x [mm], y [mm], z [mm]; optionally arm, visit.")],
    instrument: Annotated[
        str | None,
        typer.Option(help="Standard deviation of the instrument along an axis; else that of the calibration, or none."),
    ] = None,
    out: Out = None,
    paper: PaperSize = Paper.a4,
    set_: Set = None,
    json: Json = False,
) -> None:
    """Measured tool points of built arms against the predicted population; exit 1 where an arm is not as predicted."""
    from armsim.calibration.verify import verify as held_against
    from armsim.documents.csv_columns import source_of
    from armsim.documents.load import load_changed, load_scenario
    from armsim.report.verification_review import notes
    from armsim.study import Study

    size = None if instrument is None else _size(instrument)
    study = Study(load_changed(load_scenario(scenario), changes_of(set_)))
    if out is not None:
        from armsim.report.output_folder import check_destination

        check_destination(out, [measured, *(source.path for source in study.scenario.sources)])
    found = held_against(study, measured, size)
    with stoppable() as landed:
        if out is not None:
            from armsim.report.verification_review import write_verified

            words = ["armsim", "verify", str(scenario), "--measured", str(measured)]
            words += [] if instrument is None else ["--instrument", instrument]
            for change in set_ or ():
                words += ["--set", change]
            with shown_progress() as (progress, _):
                sources = (*study.scenario.sources, source_of(measured))
                write_verified(out, found, sources, shlex.join(words), paper.value, progress, landed.append)
        with printing(out):
            if json:
                print_machine(found.to_dict())
            else:
                _print(found)
        for note in (*study.scenario.notes, *notes(found.record)):
            say(f"note: {note}")
        if out is not None:
            say(f"verify: {out / 'report.html'}")
    if not found.compatible:
        raise typer.Exit(1)


def _size(text: str) -> float:
    from armsim.documents.units import accepted, read

    try:
        value = read(text, "length")
        if value < 0.0:
            raise ValueError(text)
    except ValueError as error:
        raise InputError(Problem("command line", 0, 0, "--instrument", repr(text[:60]), accepted("length"))) from error
    return value


def _print(found: Verified) -> None:
    from armsim.report.verification_review import (
        CAUSES,
        EXPECTED,
        POSES,
        SCALES,
        SHOWN,
        cause_rows,
        expected_rows,
        pose_rows,
        scale_rows,
        sentence,
    )

    for arm in found.record.arms:
        print_table(
            f"{arm.name}: pose by pose, the farthest off first",
            POSES,
            pose_rows(arm)[:SHOWN],
            right=(1, 2, 3, 4, 5, 6, 7),
        )
        print_table(f"{arm.name}: what moved", CAUSES, cause_rows(arm)[:SHOWN], right=(2, 3, 4))
        print_table(f"{arm.name}: what to expect of it", EXPECTED, expected_rows(arm)[:SHOWN], right=(1, 2, 3))
        tell(f"{sentence(arm)}.")
    if found.record.scales:
        print_table(
            "over all arms: spread of the causes over the stated", SCALES, scale_rows(found.record), right=(1, 2)
        )
