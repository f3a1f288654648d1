"""Terminal output: tables on standard output, notes on standard error. Input text cannot steer the terminal."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from armsim.cli.exit_codes import DONE, NOT_MET, NOT_RESOLVED
from armsim.errors import RunError, one_line

if TYPE_CHECKING:
    from armsim.report.frame import Frame
    from armsim.requirement import Verdict
    from armsim.run_options import Note, Progress

GAP = "  "
"""Gap between the columns of a table that another program reads."""


def print_note(text: str) -> None:
    """Print a line on standard error; ignore a closed stream."""
    with suppress(OSError):
        print(one_line(text), file=sys.stderr, flush=True)


def print_line(text: str) -> None:
    """Print a line on standard output."""
    print(one_line(text))


def print_frame(frame: Frame) -> None:
    """Print a frame on standard output without truncating values, numbers flush right.

    Ruled on a wide terminal, one value per line on a narrow one, plain columns where another program reads.
    """
    right = [n for n, column in enumerate(frame.visible_columns) if not column.is_text]
    cells = [[one_line(cell.text) for cell in row] for row in frame.rows]
    if not sys.stdout.isatty():
        _print_plain(frame.title, frame.headers, cells, right)
    elif not _print_ruled(frame.title, frame.headers, cells, right, frame.apart):
        _print_list(frame.title, frame.headers, cells)


def _print_plain(title: str, header: Sequence[str], cells: list[list[str]], right: Collection[int]) -> None:
    lines = [list(header), *cells]
    widths = [max(len(line[column]) for line in lines) for column in range(len(header))]
    if title:
        print_line(title)
    for line in lines:
        aligned = [
            cell.rjust(width) if column in right else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        print(GAP.join(aligned).rstrip())


def _print_ruled(
    title: str, header: Sequence[str], cells: list[list[str]], right: Collection[int], separated: Collection[int]
) -> bool:
    """Print a ruled table; return False where the terminal is too narrow for the longest words."""
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table

    console = Console(markup=False, emoji=False, highlight=False)
    table = Table(
        title=one_line(title) or None, title_justify="left", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0)
    )
    least, natural = [], []
    for column, name in enumerate(header):
        texts = [name, *(row[column] for row in cells)]
        # numbers stay with their units, other text breaks between words alone
        unbroken = max((len(text) for text in texts[1:]), default=0) if column in right else 0
        least.append(max(unbroken, *(len(word) for text in texts for word in text.split()), 1))
        natural.append(max(least[-1], *map(len, texts)))
    spare = console.width - 2 * len(header) - sum(least)  # a space on either side of each column
    if spare < 0:
        return False
    widths = _column_widths(
        least, natural, spare
    )  # rich would make columns narrower than their words, and cut the last
    for column, (name, width) in enumerate(zip(header, widths, strict=True)):
        side: Literal["left", "right"] = "right" if column in right else "left"
        table.add_column(name, justify=side, width=width)
    for number, row in enumerate(cells):
        if number in separated:
            table.add_section()
        table.add_row(*row)
    console.print(table)
    return True


def _column_widths(least: Sequence[int], natural: Sequence[int], spare: int) -> list[int]:
    """Widths of columns between the least and the natural ones; spare room is shared evenly. [characters]"""
    widths = list(least)
    while spare and (narrow := [n for n, width in enumerate(widths) if width < natural[n]]):
        for column in narrow[:spare]:
            extra = min(max(1, spare // len(narrow)), natural[column] - widths[column], spare)
            widths[column] += extra
            spare -= extra
    return widths


def _print_list(title: str, header: Sequence[str], cells: list[list[str]]) -> None:
    if title:
        print_line(title)
    for row in cells:
        for number, (name, cell) in enumerate(zip(header, row, strict=True)):
            if cell:
                print(f"{'  ' if number else ''}{name}: {cell}")


def exit_code(verdict: Verdict) -> int:
    """Exit code of a command that judges; that of what is done where it is met or nothing is required."""
    return {"not met": NOT_MET, "not resolved": NOT_RESOLVED}.get(verdict, DONE)


def print_json(data: Mapping[str, Any]) -> None:
    """The machine result as JSON on standard output."""
    json.dump(data, sys.stdout, indent=1, ensure_ascii=False, allow_nan=False)
    sys.stdout.write("\n")


@contextmanager
def output_errors(written: Path | None = None) -> Iterator[None]:
    """Say which results were written if printing fails.

    Raises
    ------
    RunError
        Replaces the OSError of standard output.
    """
    state = "nothing was written" if written is None else f"{written} is written and complete"
    try:
        yield
        sys.stdout.flush()
    except OSError as error:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # else the interpreter tries once more on leaving
        raise RunError(f"standard output cannot be written: {error.strerror or error}; {state}") from error


@contextmanager
def interrupt_errors() -> Iterator[list[Path]]:
    """Say which folders and files, appended to the yielded list, were written if the command is interrupted.

    Raises
    ------
    RunError
        Replaces the interrupt, where something was written.
    """
    written_paths: list[Path] = []
    try:
        yield written_paths
    except KeyboardInterrupt as error:
        if not written_paths:
            raise
        raise RunError(f"stopped; {', '.join(map(str, written_paths))} is written and complete") from error


@contextmanager
def progress_bars() -> Iterator[tuple[Progress, Note]]:
    """Yield callbacks for progress and notes; progress shows as bars on a terminal, not elsewhere."""
    if not sys.stderr.isatty():
        yield lambda task, completed, total: None, print_note
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

    console = Console(stderr=True, markup=False, emoji=False, highlight=False)
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TextColumn("{task.completed}/{task.total}"))
    with Progress(*columns, TimeRemainingColumn(), console=console) as bars:
        bar_ids: dict[str, TaskID] = {}

        def progress(task: str, completed: int, total: int) -> None:
            if task not in bar_ids:
                bar_ids[task] = bars.add_task(one_line(task), total=total)
            bars.update(bar_ids[task], completed=completed, total=total)

        yield progress, lambda text: console.print(one_line(text))
