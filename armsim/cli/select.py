"""armsim select"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from armsim.cli.options import (
    MEMORY,
    Catalogue,
    Json,
    Memory,
    Seed,
    Set,
    Units,
    Visits,
    Workers,
    bytes_of,
    changes_of,
    write_new,
)
from armsim.cli.printing import print_machine, print_table, printing, say, shown_progress, stoppable, tell

if TYPE_CHECKING:
    from armsim.asked import Requirement
    from armsim.decide import Selection


def select(
    scenario: Annotated[Path, typer.Argument(help="Scenario file with a requirement.")],
    catalogue: Catalogue,
    write: Annotated[Path | None, typer.Option(help="Scenario file to write with what was chosen.")] = None,
    seed: Seed = None,
    units: Units = None,
    visits: Visits = None,
    workers: Workers = None,
    memory: Memory = MEMORY,
    set_: Set = None,
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
    ready, options = load_options(scenario, catalogue, changes_of(set_))
    study = Study(ready).with_plan(units, visits, seed)
    with shown_progress() as (progress, note):
        found = choose(study, options, workers or os.cpu_count() or 1, progress, allowed, note)
    with stoppable() as landed:
        written = None
        if write is not None and found.design is not None:
            from armsim.documents.based import counted_from
            from armsim.documents.chosen import as_changes

            name, to = f"{ready.name}, cheapest of {catalogue.stem}", write.absolute().parent
            before = counted_from(changes_of(set_), ready.sources[0].path.parent, to)
            text = as_changes(scenario, ready.machine, ready.sources, catalogue, found.design, name, to, before)
            write_new(write, f"# {found.price:g} cost units\n{text}")
            written = write
            landed.append(write)
        with printing(written):
            if json:
                print_machine(found.to_dict())
            else:
                assert ready.requirement is not None  # held by select
                _print(found, ready.requirement)
        for text in ready.notes:
            say(f"note: {text}")
        if written is not None:
            say(f"scenario: {written}")
    if found.design is None:
        raise typer.Exit(1)


def _print(found: Selection, requirement: Requirement) -> None:
    from armsim.report.wording import answer

    title = "the cheapest choice" if found.design is not None else "the choice that comes closest"
    rows = [(row.joint, row.encoder, row.mounting, row.placement, f"{row.price:g}") for row in found.closest]
    print_table(title, ("joint", "encoder", "mounting", "placement", "price"), rows)
    tell(answer(found, requirement) + ".")
    if found.refuted:
        failed = []
        for refuted in found.refuted:
            fitted = "; ".join(f"{part.joint} {part.encoder}, {part.placement}" for part in refuted.design)
            failed.append((f"{refuted.price:g}", fitted, "; ".join(refuted.reasons)))
        print_table("cheaper choices, sampled, and where they fail", ("price", "choice", "fails"), failed)
