"""armsim schema"""

from __future__ import annotations

import json
from typing import Annotated

import typer

from armsim.errors import InputError, Problem


def schema(kind: Annotated[str, typer.Argument(help="arm, encoder, scenario or catalogue.")]) -> None:
    """Print the JSON Schema of a kind of document, for editors."""
    from armsim.documents.load import KINDS

    if kind not in KINDS:
        raise InputError(Problem("command line", 0, 0, "KIND", repr(kind), ", ".join(KINDS)))
    print(
        json.dumps(
            {"$schema": "https://json-schema.org/draft/2020-12/schema", **KINDS[kind].model_json_schema()}, indent=1
        )
    )
