"""armsim schema"""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Annotated

import typer

from armsim.errors import InputError, Problem

RESULTS = "results"


def schema(kind: Annotated[str, typer.Argument(help="arm, encoder, scenario, catalogue or results.")]) -> None:
    """Print the JSON Schema of a kind of document, for editors, or that of results.json."""
    from armsim.documents.load import KINDS

    if kind == RESULTS:
        print(files("armsim").joinpath("results.schema.json").read_text(encoding="utf-8"), end="")
        return
    if kind not in KINDS:
        raise InputError(Problem("command line", 0, 0, "KIND", repr(kind), ", ".join((*KINDS, RESULTS))))
    print(
        json.dumps(
            {"$schema": "https://json-schema.org/draft/2020-12/schema", **KINDS[kind].model_json_schema()}, indent=1
        )
    )
