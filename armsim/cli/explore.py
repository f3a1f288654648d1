"""armsim explore"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from armsim.cli.interrupt import leave, leave_signals_to_a_server
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
    need("nicegui", "explore", "explore")
    from armsim.explorer.saving import farewell
    from armsim.explorer.serve import check_port, serve
    from armsim.explorer.session import Inputs, Session
    from armsim.run_options import RunOptions

    free = check_port(port)
    session = Session(Inputs.read(scenario, catalogue, changes_of(set_)), RunOptions(workers))
    print_note("solving the poses")
    session.begin()
    leave_signals_to_a_server()
    try:
        serve(session, free, not no_browser, lambda address: print_note(f"open {address} (Ctrl-C ends)"))
    except KeyboardInterrupt:
        leave(0, farewell(session))
