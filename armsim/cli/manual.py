"""Command `armsim manual`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from armsim.cli.printing import output_errors, print_line


def manual(
    context: typer.Context,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder for the pages; by default in the cache of this user.")
    ] = None,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print where the pages are and open no browser.")
    ] = False,
) -> None:
    """Open the manual in a browser.

    Its pages need no network.
    """
    from armsim import disk_cache
    from armsim.cli.command_reference import command_sections
    from armsim.report import output_folder
    from armsim.report.manual_pages import FIRST, write_manual

    folder = disk_cache.cache_folder("manual") if out is None else out
    output_folder.check_destination(folder)
    with output_folder.folder(folder) as partial:
        write_manual(partial, command_sections(context.find_root()))
    page = folder.resolve() / f"{FIRST}.html"
    with output_errors(folder):
        print_line(str(page))
    if not no_browser:
        typer.launch(page.as_uri())
