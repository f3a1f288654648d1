"""Commands whose results can hurt someone who takes them for more than they are."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import typer

from armsim.cli.printing import say
from armsim.disclaimer import LINE

ANSWERED = (0, 1, 4)
"""Exit codes of commands that came to a result."""


def cautioned(command: Callable[..., None]) -> Callable[..., None]:
    """The command, which says at its end, and in its help, what its results are not."""

    @functools.wraps(command)
    def saying(**given: Any) -> None:
        try:
            command(**given)
        except typer.Exit as end:
            if end.exit_code in ANSWERED:
                say(f"caution: {LINE}")
            raise
        say(f"caution: {LINE}")

    saying.__doc__ = f"{command.__doc__}\n\nResults are {LINE}."
    return saying
