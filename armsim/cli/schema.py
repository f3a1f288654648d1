"""Command `armsim schema`."""

from __future__ import annotations

from typing import Annotated

import typer

from armsim.cli.printing import output_errors, print_json
from armsim.errors import InputError, Problem

RESULTS = "results"


def schema(
    kind: Annotated[
        str,
        typer.Argument(
            help="arm, encoder, scenario, specification, catalogue; results, comparison, what-if, allocation, "
            "trade-off, selection, sweep, sensitivity, curve, verify, calibrate, check."
        ),
    ],
) -> None:
    """Print the JSON Schema of a document or a result.

    For editors, and for programs that read results.
    """
    from armsim.documents.kinds import DOCUMENT_TYPES

    if kind == RESULTS:
        from armsim.results import Result

        described = Result.schema()
    elif kind in DOCUMENT_TYPES:
        from armsim.documents.schema import printed_schema

        described = printed_schema(kind)
    else:
        from armsim.decide.schemas import RECORDS
        from armsim.results.json_records import DIALECT, schema_of_record

        if kind not in RECORDS:
            accepted = ", ".join((*DOCUMENT_TYPES, RESULTS, *RECORDS))
            raise InputError(Problem("command line", 0, 0, "KIND", repr(kind), accepted))
        described = {"$schema": DIALECT, **schema_of_record(RECORDS[kind])}
    with output_errors():
        print_json(described)
