"""Disclaimer of the commands whose results must not be used alone to judge safety."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from typing import Any

import typer

from armsim.cli.exit_codes import DONE, NOT_MET, NOT_RESOLVED
from armsim.cli.printing import print_note
from armsim.disclaimer import LINE

RESULT_CODES = (DONE, NOT_MET, NOT_RESOLVED)
"""Exit codes of commands that produced a result."""


def with_disclaimer(command: Callable[..., None]) -> Callable[..., None]:
    """Decorate a command to print the disclaimer at its end and show it in its help."""

    @functools.wraps(command)
    def command_with_disclaimer(**arguments: Any) -> None:
        try:
            command(**arguments)
        except typer.Exit as end:
            if end.exit_code in RESULT_CODES:
                print_note(f"caution: {LINE}")
            raise
        print_note(f"caution: {LINE}")

    command_with_disclaimer.__doc__ = f"{inspect.cleandoc(command.__doc__ or '')}\n\nResults are {LINE}."
    return command_with_disclaimer
