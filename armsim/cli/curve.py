"""Command `armsim curve`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import CommandResult, Output, option_words, run_command, with_option_groups
from armsim.errors import InputError, Problem

if TYPE_CHECKING:
    from armsim.model.encoder import Encoder
    from armsim.model.mounting import Mounting
    from armsim.run_options import Note, Progress
    from armsim.sources import Source


@with_option_groups
def curve(
    file: Annotated[Path, typer.Argument(help="CSV with angle [deg], error [arcsec], optionally sensor, direction.")],
    output: Output,
    encoder: Annotated[
        Path | None, typer.Option(help="Encoder file whose data sheet the orders are compared with.")
    ] = None,
    scenario: Annotated[Path | None, typer.Option(help="Scenario with the joint whose sensor it is.")] = None,
    joint: Annotated[
        str | None, typer.Option(help="The joint in it: its encoder and mounting give the expected amplitudes.")
    ] = None,
    orders: Annotated[
        str | None,
        typer.Option(help="Orders to fit, such as 1,2,3,256; other significant orders are found automatically."),
    ] = None,
) -> None:
    """Fit the orders of a measured encoder error curve.

    They are compared with the data sheet; exit 1 if they disagree.
    """
    requested_orders = _orders(orders)
    encoder_model, mounting, sources = _encoder_and_mounting(encoder, scenario, joint)

    def work(progress: Progress, note: Note) -> CommandResult:
        from armsim.calibration.curve_analysis import analyse_curves
        from armsim.documents.csv_columns import measurement_source
        from armsim.report.curve_review import curve_printout, curve_review

        curves = analyse_curves(file, requested_orders, encoder_model, mounting)
        review = curve_review(curves, (measurement_source(file), *sources))
        return CommandResult(curves.to_dict, curve_printout(curves), (), curves.state, review)

    options = {"--encoder": encoder, "--scenario": scenario, "--joint": joint, "--orders": orders}
    arguments = (argument for name, value in options.items() for argument in option_words(name, value))
    rerun_command = ["armsim", "curve", file, *arguments]
    run_command(output, work, rerun_command, [file, *(source.path for source in sources)])


def _orders(text: str | None) -> tuple[int, ...]:
    if text is None:
        return ()
    words = [word.strip() for word in text.split(",")]
    orders = tuple(int(word) for word in words if word.isascii() and word.isdigit() and len(word) < 10)
    if len(orders) < len(words) or len({*orders}) < len(orders) or not all(0 < order <= 10**8 for order in orders):
        raise InputError(
            Problem("command line", 0, 0, "--orders", repr(text[:60]), "whole numbers, each once, such as 1,2,256")
        )
    return orders


def _encoder_and_mounting(
    encoder: Path | None, scenario: Path | None, joint: str | None
) -> tuple[Encoder | None, Mounting | None, tuple[Source, ...]]:
    """Encoder and mounting to compare with, and the files that they come from."""
    if (encoder is not None and scenario is not None) or (scenario is None) != (joint is None):
        actual = (
            "--encoder with --scenario"
            if encoder is not None and scenario is not None
            else "one of --scenario and --joint"
        )
        raise InputError(
            Problem("command line", 0, 0, "--scenario", actual, "--encoder FILE, or --scenario FILE --joint NAME")
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

    scenario_model = load_scenario(scenario)
    names = [joint_row.name for joint_row in scenario_model.machine.joints]
    if joint not in names:
        raise InputError(Problem("command line", 0, 0, "--joint", repr(joint), ", ".join(names)))
    joint_model = scenario_model.machine.joints[names.index(joint)]
    return joint_model.encoder, joint_model.mounting, scenario_model.sources
