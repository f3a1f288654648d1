"""Command `armsim catalogue`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from armsim.cli.options import Json, check_new_file, write_new
from armsim.cli.printing import output_errors, print_frame, print_json, print_line, print_note

if TYPE_CHECKING:
    from armsim.model.encoder import Encoder
    from armsim.report.frame import Frame


def catalogue(
    file: Annotated[Path, typer.Argument(metavar="FILE.csv|FILE.xlsx", help="Table, one encoder a row.")],
    write: Annotated[Path | None, typer.Option(help="Write the catalogue to this YAML file.")] = None,
    json: Json = False,
) -> None:
    """Show how a table of encoders is read.

    Every assumption is listed; all commands read the table as it is.
    """
    from armsim.documents.catalogue_table import is_table
    from armsim.documents.load import load_encoders
    from armsim.documents.write_catalogue import catalogue_text
    from armsim.errors import InputError, Problem

    if write is not None:
        check_new_file(write, "--write")
        if not is_table(file):
            raise InputError(Problem(str(file), 0, 0, "--write", "is not a table", "a table, CSV or XLSX"))
    source, encoders = load_encoders(file)
    if write is not None:
        write_new(write, catalogue_text(source))
    with output_errors(write):
        if json:
            records = [{"name": encoder.name, **_numbers(encoder)} for encoder in encoders]
            print_json({"kind": "catalogue", "encoders": records, "doubts": list(source.remarks)})
        else:
            print_frame(_frame(f"{file}: {len(encoders)} encoders", encoders))
            for number, text in enumerate(source.remarks, start=1):
                print_line(f"doubt {number}: {text}")
            if not source.remarks:
                print_line("no doubts: every column was read, no cell is empty, every unit is stated")
    if write is not None:
        print_note(f"catalogue: {write}")


def _frame(title: str, encoders: Sequence[Encoder]) -> Frame:
    """Table of the encoders of a catalogue."""
    from armsim.report.frame import Frame, unitless, words

    rows = [_numbers(encoder) for encoder in encoders]
    columns = (
        words("encoder", [encoder.name for encoder in encoders]),
        unitless("resolution [bit]", [row["resolution"] for row in rows]),
        unitless("price", [row["price"] for row in rows]),
        unitless("one-off costs", [row["one_off"] for row in rows]),
        unitless("mass [kg]", [row["mass"] for row in rows]),
    )
    return Frame(columns, title)


def _numbers(encoder: Encoder) -> dict[str, Any]:
    import math

    turn = 2 * math.pi if encoder.rotary else 1.0
    return {
        "resolution": round(math.log2(turn / encoder.step), 2),
        "price": encoder.price,
        "one_off": encoder.one_off,
        "mass": encoder.mass,
    }
