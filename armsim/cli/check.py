"""armsim check"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from armsim.cli.options import Set, changes_of
from armsim.cli.printing import print_line, print_machine, print_note, printing
from armsim.errors import InputError, Problem


def check(
    files: Annotated[list[Path], typer.Argument(help="Documents, or folders of results.")],
    json: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
    set_: Set = None,
) -> None:
    """Validate documents, print the error budget of every joint, check that results are complete. Writes no file."""
    from armsim.documents import check_file

    changes = changes_of(set_)
    problems: list[Problem] = []
    good: list[tuple[Path, Any]] = []
    for file in files:
        try:
            if _is_folder(file):
                good.append((file, _check_result(file)))
            else:
                good.append((file, _changed(check_file(file), changes)))
        except InputError as error:
            problems += error.problems
    with printing():
        _print_documents(good, json and not problems)
    if problems:
        raise InputError(*problems)


def _changed(document: Any, changes: dict[str, Any]) -> Any:
    """Apply changes to a scenario.

    Raises
    ------
    InputError
        The document is no scenario, or a path does not exist.
    """
    from armsim.documents.load import load_changed
    from armsim.scenario import Scenario

    if isinstance(document, Scenario):
        return load_changed(document, changes)
    if changes:
        actual = f"{', '.join(changes)}: not for this document"
        raise InputError(Problem("command line", 0, 0, "--set", actual, "a scenario, whose values it changes"))
    return document


def _is_folder(path: Path) -> bool:
    """Whether a path is a folder, or may be one whose replacement was interrupted."""
    return path.is_dir() or (not path.suffix and not path.exists())


def _check_result(folder: Path) -> str:
    """Check the folder of a result; return the message for a good one.

    Raises
    ------
    InputError
        The folder holds no result, or its files were changed.
    """
    from armsim.report.output_folder import damage, restored

    if not restored(folder):
        actual = "file or result folder not found" if not folder.exists() else "is not the folder of a result"
        raise InputError(Problem(str(folder), 0, 0, "", actual, "a document, or the folder of a result"))
    wrong = damage(folder)
    if wrong:
        raise InputError(*(Problem(str(folder), 0, 0, "", text, "the files of the run") for text in wrong))
    return "the result is complete, every file as it was written"


def _print_documents(good: list[tuple[Path, Any]], json: bool) -> None:
    from armsim.cli.check_record import encoder_record, scenario_record
    from armsim.model.encoder import Encoder
    from armsim.scenario import Scenario

    printed: dict[str, Any] = {}
    for file, document in good:
        if isinstance(document, Scenario):
            for note in document.notes:
                print_note(f"note: {note}")
            if json:
                printed[str(file)] = scenario_record(document)
                continue
            from armsim.cli.check_record import poses_of_tasks
            from armsim.cli.command import show
            from armsim.report.check_printout import scenario_printout

            price = f"sensors for {document.machine.price:g} cost units"
            print_line(f"{file}: scenario {document.name!r} is valid; {price}")
            show(scenario_printout(document, poses_of_tasks(document)))
        elif isinstance(document, str):
            if json:
                printed[str(file)] = {"kind": "result", "result": "whole"}
            else:
                print_line(f"{file}: {document}")
        elif isinstance(document, Encoder):
            if json:
                printed[str(file)] = encoder_record(document)
            else:
                from armsim.cli.command import show
                from armsim.report.check_printout import encoder_printout

                print_line(f"{file}: encoder {document.name!r} is valid; {document.price:g} cost units")
                _print_remarks(file)
                show(encoder_printout(document))
        else:
            kind = type(document).__name__.lower().removesuffix("document")
            if json:
                printed[str(file)] = {"kind": kind, "name": document.name}
            else:
                title = kind if document.name is None else f"{kind} {document.name!r}"
                print_line(f"{file}: {title} is valid")
                _print_remarks(file)
    if json:
        print_machine(printed)


def _print_remarks(file: Path) -> None:
    """Print the warnings of the reader of a document."""
    from armsim.documents.load import remarks_of

    for remark in remarks_of(file):
        print_note(f"note: {remark}")
