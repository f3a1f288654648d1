"""Command `armsim explore`."""

from __future__ import annotations

import shlex
import sys
from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from armsim.cli.interrupt import end_process, leave_signals_to_a_server
from armsim.cli.options import Set, Workers, parse_changes, require_library
from armsim.cli.printing import print_note
from armsim.errors import InputError, Problem


def explore(
    scenario: Annotated[
        Path | None, typer.Argument(help="Scenario file; a list to choose from where left out.")
    ] = None,
    catalogue: Annotated[Path | None, typer.Option(help="Catalogue of encoders to choose from.")] = None,
    session: Annotated[
        Path | None, typer.Option(help="Session file, as the page saves it: scenario, design, pinned designs, notes.")
    ] = None,
    demo: Annotated[bool, typer.Option("--demo", help="Open the demo, in a temporary folder.")] = False,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port on this machine; a free one where 0.")] = 0,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Print the address and open no browser.")] = False,
    workers: Workers = None,
    set_: Set = None,
) -> None:
    """Open a page to change sensors and see the map move.

    The page is served on this machine alone. Ends with Ctrl-C.
    """
    require_library("nicegui", "explore", "explore")
    from armsim.explorer.entrance import Entrance, demo_files
    from armsim.explorer.saving import farewell
    from armsim.explorer.serve import check_port, serve
    from armsim.explorer.session import Inputs, Session
    from armsim.explorer.session_file import read_session_file
    from armsim.run_options import RunOptions

    sources = [name for name, value in (("SCENARIO", scenario), ("--session", session), ("--demo", demo)) if value]
    if len(sources) > 1:
        raise InputError(Problem("command line", 0, 0, sources[1], f"beside {sources[0]}", "one of the two"))
    if not sources and (catalogue is not None or set_):
        raise InputError(Problem("command line", 0, 0, "SCENARIO", "none", "a scenario file beside these options"))
    command = shlex.join(["armsim", *sys.argv[1:]])
    bound_port, entrance = check_port(port), Entrance(RunOptions(workers), command)
    if sources:
        content = None if session is None else read_session_file(session)
        if content is not None:
            scenario, catalogue = content.scenario, content.catalogue if catalogue is None else catalogue
        folder = None
        if scenario is None:
            folder, scenario, of_demo = demo_files()
            catalogue = of_demo if catalogue is None else catalogue
        opened = Session(Inputs.read(scenario, catalogue, parse_changes(set_)), entrance.run_options)
        if content is not None:
            opened.restore(content)
        print_note("solving the poses")
        entrance.enter(opened, folder)
    leave_signals_to_a_server()
    with suppress(KeyboardInterrupt):  # the server may also end by itself after an interrupt
        serve(entrance, bound_port, not no_browser, lambda address: print_note(f"open {address} (Ctrl-C ends)"))
    end_process(0, "ended" if entrance.session is None else farewell(entrance.session))
