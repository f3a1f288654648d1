"""armsim check"""

from __future__ import annotations

import json as text
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from armsim.errors import InputError, Problem

if TYPE_CHECKING:
    from armsim.results import JointSheet


def check(
    files: Annotated[list[Path], typer.Argument(help="Arm, encoder or scenario files.")],
    json: Annotated[bool, typer.Option("--json", help="Print the sheets as JSON.")] = False,
) -> None:
    """Validate documents and print the error budget of every joint. Touches nothing."""
    from armsim.documents import Scenario, check_file

    problems: list[Problem] = []
    good: list[tuple[Path, Any]] = []
    for file in files:
        try:
            good.append((file, check_file(file)))
        except InputError as error:
            problems += error.problems
    printed: dict[str, Any] = {}
    for file, document in good:
        if isinstance(document, Scenario):
            from armsim.study import Study

            sheets = Study(document).sheets()
            if json:
                from dataclasses import asdict

                printed[str(file)] = {"name": document.name, "joints": {n: asdict(s) for n, s in sheets.items()}}
            else:
                print(f"{file}: scenario {document.name!r} is good; encoders {document.machine.price:g} cost units")
                _print(sheets)
        elif json:
            printed[str(file)] = {"name": document.name}
        else:
            print(f"{file}: {type(document).__name__.lower()} {document.name!r} is good")
    if json and not problems:
        text.dump(printed, sys.stdout, indent=1)
        print()
    if problems:
        raise InputError(*problems)


def _print(sheets: dict[str, JointSheet]) -> None:
    from rich.console import Console
    from rich.table import Table

    from armsim.present import ARCSECOND, show, significant

    console = Console(width=None if sys.stdout.isatty() else 130)
    for name, sheet in sheets.items():

        def shown(value: float, rotary: bool = sheet.unit == "rad") -> str:
            return show(value, "rad", unit=ARCSECOND) if rotary else show(value, "m")

        title = (
            f"{name}: {sheet.encoder} on the {sheet.placement} side, "
            f"{significant(sheet.resolution_bits, 4)} bit, step {shown(sheet.step)} at the joint"
        )
        table = Table(title=title, title_justify="left", show_footer=True)
        table.add_column("cause", "all, root sum square; sum of limits")
        table.add_column(
            "life", f"accuracy {shown(sheet.std_accuracy)}, repeatability {shown(sheet.std_repeatability)}"
        )
        table.add_column("shape")
        table.add_column("standard deviation", shown(sheet.std), justify="right")
        table.add_column("limit", shown(sheet.limit), justify="right")
        for term in sheet.terms:
            table.add_row(term.cause, term.life, term.shape, shown(term.std), shown(term.limit))
        console.print(table)
