"""armsim select"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.options import (
    MEMORY,
    Catalogue,
    Json,
    Memory,
    Seed,
    Units,
    Visits,
    Workers,
    bytes_of,
    print_machine,
    printing,
    screen,
    shown_progress,
    write_new,
)

if TYPE_CHECKING:
    from armsim.decide import Selection
    from armsim.results import Requirement


def select(
    scenario: Annotated[Path, typer.Argument(help="Scenario file with a requirement.")],
    catalogue: Catalogue,
    write: Annotated[Path | None, typer.Option(help="Scenario file to write with what was chosen.")] = None,
    seed: Seed = None,
    units: Units = None,
    visits: Visits = None,
    workers: Workers = None,
    memory: Memory = MEMORY,
    json: Json = False,
) -> None:
    """The cheapest set of encoders that meets the requirement, with its proof; exit 1 if none does."""
    from armsim.decide import select as choose
    from armsim.documents.load import load_options
    from armsim.study import Study

    allowed = bytes_of(memory)
    if write is not None and (write.is_symlink() or write.exists() or not write.absolute().parent.is_dir()):
        from armsim.errors import InputError, Problem

        fault = "is there already" if write.is_symlink() or write.exists() else "its folder is not there"
        raise InputError(Problem(str(write), 0, 0, "--write", fault, "a new file in a folder that is there"))
    ready, options = load_options(scenario, catalogue)
    study = Study(ready).with_plan(units, visits, seed)
    with shown_progress() as (progress, note):
        found = choose(study, options, workers or os.cpu_count() or 1, progress, allowed, note)
    written = None
    if write is not None and found.design is not None:
        from armsim.documents.write import in_yaml, scenario_document

        source, to = ready.sources[0], write.absolute().parent
        name = f"{ready.name}, cheapest of {catalogue.stem}"
        document = scenario_document(source.data, found.machine, name, source.path.absolute().parent, to)
        write_new(write, in_yaml(document))
        written = write
    with printing(written):
        if json:
            print_machine(found.to_dict())
        else:
            assert ready.requirement is not None  # held by select
            _print(found, ready.requirement)
    for text in ready.notes:
        print(f"note: {text}", file=sys.stderr)
    if written is not None:
        print(f"scenario: {written}", file=sys.stderr)
    if found.design is None:
        raise typer.Exit(1)


def _print(found: Selection, requirement: Requirement) -> None:
    from rich.table import Table

    from armsim.decide.selection import answer

    console = screen(140)
    title = "the cheapest choice" if found.design is not None else "the choice that comes closest"
    table = Table(title=title, title_justify="left")
    for name in ("joint", "encoder", "mounting", "placement", "price"):
        table.add_column(name)
    for row in found.closest:
        table.add_row(row.joint, row.encoder, row.mounting, row.placement, f"{row.price:g}")
    console.print(table)
    console.print(answer(found, requirement) + ".", highlight=False)
    if found.refuted:
        cheaper = Table(title="cheaper choices, sampled, and where they fail", title_justify="left")
        cheaper.add_column("price")
        cheaper.add_column("choice")
        cheaper.add_column("fails")
        for refuted in found.refuted:
            fitted = "; ".join(f"{part.joint} {part.encoder}, {part.placement}" for part in refuted.design)
            cheaper.add_row(f"{refuted.price:g}", fitted, "; ".join(refuted.reasons))
        console.print(cheaper)
