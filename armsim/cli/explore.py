"""armsim explore"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from armsim.cli.options import Set, Workers, changes_of, need
from armsim.cli.printing import print_note


def explore(
    scenario: Annotated[Path, typer.Argument(help="Scenario file.")],
    catalogue: Annotated[Path | None, typer.Option(help="Catalogue of encoders to choose from.")] = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port on this machine; a free one where 0.")] = 0,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Print the address and open no browser.")] = False,
    workers: Workers = None,
    set_: Set = None,
) -> None:
    """A page on this machine: change a sensor, see the map move. Ends with Ctrl-C."""
    from armsim.documents.load import load_changed, load_options, load_scenario

    need("nicegui", "explore", "explore")
    changes = changes_of(set_)
    options = None
    if catalogue is None:
        ready = load_changed(load_scenario(scenario), changes)
    else:
        ready, options = load_options(scenario, catalogue, changes)
    from armsim.explorer.serve import free_port, serve
    from armsim.explorer.session import Session
    from armsim.sampling.run_options import RunOptions
    from armsim.study import Study

    session = Session(Study(ready), options, catalogue, RunOptions(workers), initial_changes=changes)
    print_note("solving the poses")
    session.begin()
    free = port or free_port()
    serve(session, free, not no_browser, lambda address: print_note(f"open {address} (Ctrl-C ends)"))
