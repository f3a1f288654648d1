"""Command `armsim check`."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from armsim.cli.command import print_blocks
from armsim.cli.options import Set, parse_changes
from armsim.cli.printing import output_errors, print_json, print_line, print_note
from armsim.errors import InputError, Problem

if TYPE_CHECKING:
    from armsim.report.frame import Frame

INTERVAL = 0.3
"""Time between two looks at the files that are watched. [s]"""


def check(
    files: Annotated[list[Path], typer.Argument(help="Documents, or folders of results.")],
    json: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
    watch: Annotated[
        bool, typer.Option("--watch", help="Print anew whenever one of the files is saved, until Ctrl-C.")
    ] = False,
    set_: Set = None,
) -> None:
    """Validate documents and print the error budget of every joint.

    Verifies that results are complete, too. Writes no file.
    """
    changes = parse_changes(set_)
    if not watch:
        _check_all(files, json, changes)
        return
    sources = set(files)
    with suppress(KeyboardInterrupt):
        while True:
            stamps = {path: _stamp(path) for path in sources}
            try:
                sources = _check_all(files, json, changes)
            except InputError as error:
                print_note(error.text("error: "))
                sources |= {path for problem in error.problems if (path := Path(problem.file)).is_file()}
            stamps |= {path: _stamp(path) for path in sources - set(stamps)}
            saved = _saved(stamps)
            with output_errors():
                print_line(f"--- {', '.join(map(str, saved))}: saved, read again")


def _saved(stamps: Mapping[Path, tuple[int, int] | None]) -> list[Path]:
    """Wait until files were saved; return them. A file that an editor is replacing is waited for."""
    while not (changed := [path for path in stamps if _stamp(path) not in (None, stamps[path])]):
        time.sleep(INTERVAL)
    return changed


def _stamp(path: Path) -> tuple[int, int] | None:
    """Time of the last change [ns] and size of a file; None if it cannot be read."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_mtime_ns, status.st_size


def _check_all(files: Sequence[Path], json: bool, changes: dict[str, Any]) -> set[Path]:
    """Check files and print what they hold; return the paths of all that was read.

    Raises
    ------
    InputError
        Anything is wrong in any of them; what is good was printed.
    """
    from armsim.documents import check_file
    from armsim.scenario import Scenario

    problems: list[Problem] = []
    valid_documents: list[tuple[Path, Any]] = []
    for file in files:
        try:
            if _is_folder(file):
                valid_documents.append((file, _check_result(file)))
            else:
                valid_documents.append((file, _with_changes(check_file(file), changes)))
        except InputError as error:
            problems += error.problems
    with output_errors():
        _print_documents(valid_documents, json and not problems)
    if problems:
        raise InputError(*problems)
    sources = {
        Path(source.path)
        for _, document in valid_documents
        if isinstance(document, Scenario)
        for source in document.sources
    }
    return {*files, *(path for path in sources if path.exists())}


def _with_changes(document: Any, changes: dict[str, Any]) -> Any:
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
    faults = damage(folder)
    if faults:
        raise InputError(*(Problem(str(folder), 0, 0, "", text, "the files of the run") for text in faults))
    return "the result is complete, every file as it was written"


def _print_documents(valid_documents: list[tuple[Path, Any]], json: bool) -> None:
    from armsim.inspection import check_records
    from armsim.model.encoder import Encoder
    from armsim.scenario import Scenario

    records: dict[str, check_records.CheckRecord] = {}
    for file, document in valid_documents:
        record: check_records.CheckRecord
        printout: Iterable[Frame | str] = ()
        if isinstance(document, Scenario):
            from armsim.report.check_printout import scenario_printout

            for note in document.notes:
                print_note(f"note: {note}")
            record = check_records.scenario_record(document, curves=json)
            text = f"scenario {document.name!r} is valid; sensors for {record.price:g} cost units"
            printout = scenario_printout(document, record)
        elif isinstance(document, str):
            record, text = check_records.CheckedResult(), document
        elif isinstance(document, Encoder):
            from armsim.report.check_printout import encoder_printout

            record = check_records.encoder_record(document)
            text = f"encoder {document.name!r} is valid; {document.price:g} cost units"
            printout = encoder_printout(document)
        else:
            kind: Any = type(document).__name__.lower().removesuffix("document")
            record = check_records.CheckedDocument(kind, document.name)
            text = f"{kind} is valid" if document.name is None else f"{kind} {document.name!r} is valid"
        records[str(file)] = record
        if not json:
            print_line(f"{file}: {text}")
            if not isinstance(document, Scenario | str):
                _print_remarks(file)
            print_blocks(printout)
    if json:
        print_json(check_records.json_records(records))


def _print_remarks(file: Path) -> None:
    """Print the warnings of the reader of a document."""
    from armsim.documents.load import reading_remarks

    for remark in reading_remarks(file):
        print_note(f"note: {remark}")
