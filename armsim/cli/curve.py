"""armsim curve"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.command import Output, Reply, grouped, option, reply
from armsim.errors import InputError, Problem

if TYPE_CHECKING:
    from armsim.model.encoder import Encoder
    from armsim.model.mounting import Mounting
    from armsim.requirement import Verdict
    from armsim.sampling.run_options import Note, Progress
    from armsim.sources import Source


@grouped
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
        typer.Option(help="Orders to fit, such as 1,2,3,256; other significant orders are found by themselves."),
    ] = None,
) -> None:
    """A measured error curve of a sensor, order by order, beside its data sheet; exit 1 where it contradicts that."""
    requested_orders = _orders(orders)
    sensor, mounting, sources = _sensor(encoder, scenario, joint)

    def work(progress: Progress, note: Note) -> Reply:
        from armsim.calibration.curve_analysis import measure
        from armsim.documents.csv_columns import source_of
        from armsim.report.curve_review import curve_printout, curve_review

        curves = measure(file, requested_orders, sensor, mounting)
        review = curve_review(curves, (source_of(file), *sources))
        state: Verdict = "not met" if curves.agrees is False else "met"
        return Reply(curves.to_dict, curve_printout(curves), (), state, review)

    options = {"--encoder": encoder, "--scenario": scenario, "--joint": joint, "--orders": orders}
    again = ["armsim", "curve", file, *(word for name, value in options.items() for word in option(name, value))]
    reply(output, work, again, [file, *(source.path for source in sources)])


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
