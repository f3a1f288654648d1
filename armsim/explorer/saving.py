"""Saving of the current design as a scenario file, and the command that reproduces it."""

from __future__ import annotations

import os
import secrets
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from armsim.documents.references import rebase_files
from armsim.documents.write_overrides import changes_text
from armsim.errors import InputError, Problem
from armsim.explorer.session import Session
from armsim.explorer.snapshot import Saved

LONGEST_NAME = 100
"""Most characters in the name of a file."""


def command(session: Session) -> str:
    """Command line that reproduces the current design and plan.

    Raises
    ------
    InputError
        Input files have changed on disk, so that no command does.
    """
    session.refuse_changed_files()
    request, saved = session.request_of(session.design), session.saved
    if saved is not None and saved.is_scenario and saved.key == session.design.key and saved.unchanged:
        request = replace(request, scenario=str(saved.path), changes=())
    return request.command


def save(session: Session, name: str, replacing: bool = False) -> Path:
    """Write the current design to the scenario's folder, as a document of changes; the original stays unchanged.

    Raises
    ------
    InputError
        The name is no plain YAML file name, names an input of the design, or an existing file without ``replacing``;
        input files have changed on disk; or the file cannot be written.
    """
    base, design = session.file, session.design
    folder = base.absolute().parent
    to = _target(session, name, replacing)
    title = f"{session.study.scenario.name}, as explored"
    changes = rebase_files(design.changes, session.study.scenario.folder.absolute(), folder)
    content = changes_text(title, base.absolute(), folder, changes).encode()
    _write_to(to, content)
    session.mark_saved(Saved(to, design.key, content))
    return to


def save_session(session: Session, name: str, replacing: bool = False) -> Path:
    """Write the file that opens the same view later to the scenario's folder.

    Raises
    ------
    InputError
        As `save`.
    """
    to, key = _target(session, name, replacing), session.design.key
    content = session.content.text(to.parent).encode()
    _write_to(to, content)
    session.mark_saved(Saved(to, key, content, is_scenario=False))
    return to


def _fault(name: str, wrong: str, accepted: str) -> InputError:
    return InputError(Problem(name[:80], 0, 0, "", wrong, accepted))


def _target(session: Session, name: str, replacing: bool) -> Path:
    """Path of a file of a name beside the scenario, which may be written."""
    plain = Path(name).name == name and name not in ("", ".", "..") and not set(name) & set('\\/:*?"<>|\0\n\r')
    if not plain or not name.endswith(".yaml") or len(name) > LONGEST_NAME:
        raise _fault(name, "not a valid YAML file name", "a name such as my-design.yaml, beside the scenario")
    to = session.file.absolute().parent / name
    sources = (*session.inputs.sources, *session.current.scenario.sources)
    read = {source.path.absolute() for source in sources}
    if to.is_symlink() or to in read or to.resolve() in {path.resolve() for path in read}:
        raise _fault(name, "a file that the design is made from", "another name")
    session.refuse_changed_files()
    if to.exists() and not replacing:
        raise _fault(name, "there already", "another name, or to replace it")
    return to


def _write_to(to: Path, content: bytes) -> None:
    try:
        write_whole(to, content)
    except OSError as error:
        cause = error.strerror or error
        raise _fault(to.name, f"cannot be written: {cause}", f"room and permission in {to.parent}") from error


def farewell(session: Session) -> str:
    """Sentence at the end of a session: what is saved, and what is lost."""
    saved, running = session.saved, session.jobs.running
    unfinished = [] if running is None else [f"{running.name} was not finished"]
    if session.design.key != (session.inputs.initial.key if saved is None else saved.key):
        unfinished.append("the last design is not saved" if saved is None else "later changes are not saved")
    return "; ".join(["ended", *([] if saved is None else [f"saved: {saved.path}"]), *unfinished])


def write_whole(to: Path, content: bytes) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    OSError
        It cannot be written; what stood there before stays.
    """
    part = to.with_name(f".{to.name}-{secrets.token_hex(4)}")
    try:
        with open(part, "xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, to)
    except BaseException:
        with suppress(OSError):
            part.unlink()
        raise
