"""Command `armsim explain`."""

from __future__ import annotations

import difflib
from typing import Annotated

import typer

from armsim.cli.printing import output_errors, print_line
from armsim.errors import InputError, Problem


def explain(
    word: Annotated[
        str | None,
        typer.Argument(help="A key, such as mounting.eccentricity, a cause, or a word of the results such as AP."),
    ] = None,
) -> None:
    """Print meaning, equation and source of a word or key.

    Without a word, an index of them.
    """
    from armsim.report.reference import explanation, overview, words

    all_words = words()
    with output_errors():
        if word is None:
            for line in overview():
                print_line(line)
            return
        paragraphs = explanation(word)
        if not paragraphs:
            close = ", ".join(difflib.get_close_matches(word, all_words, n=5, cutoff=0.5))
            accepted = f"did you mean {close}?" if close else "a word, key or cause, as `armsim explain` lists them"
            raise InputError(Problem("command line", 0, 0, "WORD", repr(word), accepted))
        for number, text in enumerate(paragraphs):
            for line in ([""] if number else []) + text.splitlines():
                print_line(line)
