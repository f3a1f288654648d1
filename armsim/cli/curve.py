"""armsim curve"""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.options import Json, Out, Paper, PaperSize
from armsim.cli.printing import print_machine, print_table, printing, say, shown_progress, stoppable, tell
from armsim.errors import InputError, Problem

if TYPE_CHECKING:
    from armsim.calibration.curve_analysis import Curves
    from armsim.model.encoder import Encoder
    from armsim.model.mounting import Mounting
    from armsim.sources import Source


def curve(
    file: Annotated[Path, typer.Argument(help="CSV with angle [deg], error [arcsec], optionally sensor, direction.")],
    encoder: Annotated[Path | None, typer.Option(help="Encoder file, whose law the orders are held against.")] = None,
    scenario: Annotated[Path | None, typer.Option(help="Scenario with the joint whose sensor it is.")] = None,
    joint: Annotated[str | None, typer.Option(help="That joint: its encoder and mounting give the law.")] = None,
    orders: Annotated[
        str | None, typer.Option(help="Orders to fit, such as 1,2,3,256; others that stand out are curves.")
    ] = None,
    out: Out = None,
    paper: PaperSize = Paper.a4,
    json: Json = False,
) -> None:
    """A measured error curve of a sensor, order by order, beside its data sheet; exit 1 where it contradicts that."""
    from armsim.calibration.curve_analysis import measure
    from armsim.documents.csv_columns import source_of

    wanted = _orders(orders)
    sensor, mounting, sources = _sensor(encoder, scenario, joint)
    if out is not None:
        from armsim.report.output_folder import check_destination

        check_destination(out, [file, *(source.path for source in sources)])
    curves = measure(file, wanted, sensor, mounting)
    with stoppable() as landed:
        if out is not None:
            from armsim.report.curve_review import write_curves

            words = ["armsim", "curve", str(file)]
            for option, value in (
                ("--encoder", encoder),
                ("--scenario", scenario),
                ("--joint", joint),
                ("--orders", orders),
            ):
                words += [] if value is None else [option, str(value)]
            with shown_progress() as (progress, _):
                everything = (source_of(file), *sources)
                write_curves(out, curves, everything, shlex.join(words), paper.value, progress, landed.append)
        with printing(out):
            if json:
                print_machine(curves.to_dict())
            else:
                _print(curves)
        if out is not None:
            say(f"curve: {out / 'report.html'}")
    if curves.agrees is False:
        raise typer.Exit(1)


def _orders(text: str | None) -> tuple[int, ...]:
    if text is None:
        return ()
    parts = [part.strip() for part in text.split(",")]
    if not all(part.isascii() and part.isdigit() and 0 < int(part) <= 10**8 for part in parts) or len(set(parts)) < len(
        parts
    ):
        raise InputError(
            Problem("command line", 0, 0, "--orders", repr(text[:60]), "whole numbers, each once, such as 1,2,256")
        )
    return tuple(int(part) for part in parts)


def _sensor(
    encoder: Path | None, scenario: Path | None, joint: str | None
) -> tuple[Encoder | None, Mounting | None, tuple[Source, ...]]:
    if (encoder is not None and scenario is not None) or (scenario is None) != (joint is None):
        options = (
            "--encoder with --scenario"
            if encoder is not None and scenario is not None
            else "one of --scenario and --joint"
        )
        raise InputError(
            Problem("command line", 0, 0, "--scenario", options, "--encoder FILE, or --scenario FILE --joint NAME")
        )
    if encoder is not None:
        from armsim.documents import check_file
        from armsim.documents.source import read_source
        from armsim.model.encoder import Encoder

        document = check_file(encoder)
        if not isinstance(document, Encoder):
            raise InputError(Problem(str(encoder), 1, 1, "kind", "no encoder", "kind: encoder"))
        return document, None, (read_source(encoder),)
    if scenario is None:
        return None, None, ()
    from armsim.documents.load import load_scenario

    read = load_scenario(scenario)
    names = [one.name for one in read.machine.joints]
    if joint not in names:
        raise InputError(Problem("command line", 0, 0, "--joint", repr(joint), ", ".join(names)))
    fitted = read.machine.joints[names.index(joint)]
    return fitted.encoder, fitted.mounting, read.sources


def _print(curves: Curves) -> None:
    from armsim.report.curve_review import HEADERS, batch, order_rows, sentence

    for sensor in curves.sensors:
        print_table(sensor.curve.sensor, HEADERS, order_rows(sensor), right=(0, 1, 2, 3, 4))
        tell(sentence(sensor, curves.encoder) + ".")
    together = batch(curves)
    if together is not None:
        tell(f"{together}.")
