"""What people see: tables on standard output, notes on standard error. Nothing from input steers the terminal."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from armsim.errors import RunError, one_line

if TYPE_CHECKING:
    from armsim.report.frame import Frame
    from armsim.requirement import Verdict
    from armsim.sampling.run_options import Note, Progress

GAP = "  "
"""Between the columns of a table that is read by another program."""


def say(text: str) -> None:
    """A line for people on standard error; that nobody can read it is no fault."""
    with suppress(OSError):
        print(one_line(text), file=sys.stderr, flush=True)


def tell(text: str) -> None:
    """A line on standard output."""
    print(one_line(text))


def print_frame(frame: Frame) -> None:
    """A frame on standard output; its numbers are set flush right."""
    right = [n for n, column in enumerate(frame.shown) if not column.holds_words]
    print_table(frame.title, frame.headers, [[cell.text for cell in row] for row in frame.rows], right)


def print_table(
    title: str,
    header: Sequence[str],
    rows: Sequence[Sequence[str]],
    right: Collection[int] = (),
    apart: Collection[int] = (),
) -> None:
    """A table on standard output, every value whole.

    With lines on a terminal that has the room; one value per line on a narrow one; plain columns where another program
    reads.

    Parameters
    ----------
    title : str
        May be empty.
    header : sequence of str
    rows : sequence of rows
        As many values each as the header.
    right : collection of int
        Columns to be set flush right.
    apart : collection of int
        Rows before which a line is drawn.
    """
    cells = [[one_line(cell) for cell in row] for row in rows]
    if not sys.stdout.isatty():
        _plain(title, header, cells, right)
    elif not _ruled(title, header, cells, right, apart):
        _listed(title, header, cells)


def _plain(title: str, header: Sequence[str], cells: list[list[str]], right: Collection[int]) -> None:
    lines = [list(header), *cells]
    widths = [max(len(line[column]) for line in lines) for column in range(len(header))]
    if title:
        tell(title)
    for line in lines:
        aligned = [
            cell.rjust(width) if column in right else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        print(GAP.join(aligned).rstrip())


def _ruled(
    title: str, header: Sequence[str], cells: list[list[str]], right: Collection[int], apart: Collection[int]
) -> bool:
    """With lines, if the terminal has room for the longest word of every column."""
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.measure import Measurement
    from rich.table import Table

    console = Console(markup=False, emoji=False, highlight=False)
    table = Table(
        title=one_line(title) or None, title_justify="left", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0)
    )
    for column, name in enumerate(header):
        own = [name, *(row[column] for row in cells)]
        # numbers stay with their units, other text breaks between words alone
        whole = max((len(text) for text in own[1:]), default=0) if column in right else 0
        least = max(whole, *(len(word) for text in own for word in text.split()), 1)
        table.add_column(name, justify="right" if column in right else "left", min_width=least)
    for number, row in enumerate(cells):
        if number in apart:
            table.add_section()
        table.add_row(*row)
    if Measurement.get(console, console.options.update(max_width=10_000), table).minimum > console.width:
        return False
    console.print(table)
    return True


def _listed(title: str, header: Sequence[str], cells: list[list[str]]) -> None:
    if title:
        tell(title)
    for row in cells:
        for number, (name, cell) in enumerate(zip(header, row, strict=True)):
            if cell:
                print(f"{'  ' if number else ''}{name}: {cell}")


def exit_of(verdict: Verdict) -> int:
    """Exit code of a command that judges: 0 met or nothing required, 1 not met, 4 not resolved by this sample."""
    return {"not met": 1, "not resolved": 4}.get(verdict, 0)


def print_machine(data: Mapping[str, Any]) -> None:
    """The machine result as JSON on standard output."""
    json.dump(data, sys.stdout, indent=1, ensure_ascii=False, allow_nan=False)
    sys.stdout.write("\n")


@contextmanager
def printing(written: Path | None = None) -> Iterator[None]:
    """Say what is there where only the printing fails.

    Raises
    ------
    RunError
        In place of the fault of standard output.
    """
    there = "nothing was written" if written is None else f"{written} is written and whole"
    try:
        yield
        sys.stdout.flush()
    except OSError as error:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # else the interpreter tries once more on leaving
        raise RunError(f"standard output cannot be written: {error.strerror or error}; {there}") from error


@contextmanager
def stoppable() -> Iterator[list[Path]]:
    """Say what is there where the command is stopped: the folders and files that are put into the list.

    Raises
    ------
    RunError
        In place of the interrupt, where something is there.
    """
    written: list[Path] = []
    try:
        yield written
    except KeyboardInterrupt as error:
        if not written:
            raise
        raise RunError(f"stopped; {', '.join(map(str, written))} is written and whole") from error


@contextmanager
def shown_progress() -> Iterator[tuple[Progress, Note]]:
    """Bars on a terminal, nothing elsewhere; notes on both."""
    if not sys.stderr.isatty():
        yield lambda task, done, total: None, say
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

    console = Console(stderr=True, markup=False, emoji=False, highlight=False)
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TextColumn("{task.completed}/{task.total}"))
    with Progress(*columns, TimeRemainingColumn(), console=console) as bars:
        known: dict[str, TaskID] = {}

        def advance(task: str, done: int, total: int) -> None:
            if task not in known:
                known[task] = bars.add_task(one_line(task), total=total)
            bars.update(known[task], completed=done, total=total)

        yield advance, lambda text: console.print(one_line(text))
