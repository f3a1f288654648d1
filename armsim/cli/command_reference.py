"""Reference of the commands for the manual: exit codes, and what ``--help`` of each prints."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from armsim.cli.exit_codes import MEANINGS

WIDTH = 100
"""Columns of a page."""


def command_sections(root: Any) -> Iterator[tuple[str, str]]:
    """Every command: what it does, its arguments, its options with their bounds and defaults.

    Parameters
    ----------
    root : typer.Context
        Context of the whole command line.

    Yields
    ------
    tuple of str and str
        A heading, and the text below it.
    """
    yield "Exit codes", "\n".join(f"{code}  {meaning}" for code, meaning in MEANINGS.items())
    for name, command in root.command.commands.items():
        title = f"armsim {name}"
        context = type(root)(command, info_name=title, max_content_width=WIDTH, terminal_width=WIDTH)
        yield title, command.get_help(context)
