"""Output folders: written to a temporary folder and moved into place complete, so that no partial result is seen.

An earlier result and the new one change places in one step of the file system, where it has such a step; a process that
is killed leaves the one or the other, and a hidden folder that the next run takes away.
"""

from __future__ import annotations

import ctypes
import glob
import hashlib
import json
import os
import platform
import secrets
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from armsim.errors import InputError, Problem

AT_FDCWD, EXCHANGE, SWAP = -100, 2, 2
"""Constants of renameat2 on Linux and renamex_np on macOS."""


INVENTORY = "inventory.json"
"""File with the digests of all files of a result; files not in it, or changed, are the user's."""
TOKEN = secrets.token_hex(4)
"""Token of this process."""
LONGEST = 100
"""Most bytes of a folder's name in the names of its hidden folders."""
SET_ASIDE = "result"
"""Name of the earlier result inside its hidden folder during a replacement."""
KEPT = "kept"
"""Folder for user files of a replaced result whose path is taken by the new result."""


def check_destination(out: Path, inputs: Iterable[Path] = (), scenario_file: Path | None = None) -> None:
    """Refuse to replace a folder that holds anything else than an earlier result.

    Parameters
    ----------
    out : Path
    inputs : iterable of Path
        Files that are read: none of them may lie in the folder.
    scenario_file : Path, optional
        Scenario whose earlier result alone may be replaced: of a folder that nobody named.

    Raises
    ------
    InputError
        The folder holds something else, or cannot be made.
    """

    def fault(actual: str, accepted: str) -> InputError:
        return InputError(Problem(str(out), 0, 0, "--out", actual, accepted))

    accepted = "a new folder, an empty one, or an earlier result alone"
    try:
        real = Path(os.path.realpath(out))
        if out.is_symlink() and not out.exists():
            raise fault("is a dangling link", accepted)
        _tidy(real)
        if real.exists() and not real.is_dir():
            raise fault("is a file", "a folder")
        if _is_mount(real):
            raise fault("is a mount point, which cannot change places with a new result", "a folder within it")
        strangers = _strangers(real) if real.is_dir() else []
        if strangers:
            raise fault(f"holds other things than a result: {', '.join(strangers[:3])}", accepted)
        if scenario_file is not None and real.is_dir():
            other = _scenario_of(real)
            if other is not None and os.path.realpath(other) != os.path.realpath(scenario_file):
                raise fault(f"holds the result of {other}", "--out with a folder for this scenario")
        for file in inputs:
            if real in Path(os.path.realpath(file)).parents:
                raise fault(f"holds {file}, which is read", "a folder apart from the inputs")
        os.fsencode(os.fspath(out)).decode()  # what is not UTF-8 the pages could not name
        parent = real.parent
        while not parent.exists():
            parent = parent.parent
        os.rmdir(tempfile.mkdtemp(prefix=_mark(real, "earlier", os.getpid()), dir=parent))
    except (OSError, ValueError) as error:
        actual = getattr(error, "strerror", None) or "a name that is not UTF-8"
        raise fault(f"{out}: {actual}", "a location where a folder can be created") from error


def _is_mount(folder: Path) -> bool:
    """Whether the folder is a mount point, also of the same file system."""
    if os.path.ismount(folder):
        return True
    try:
        rows = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="surrogateescape").splitlines()
    except OSError:  # not Linux
        return False
    return str(folder) in {row.split()[4].encode().decode("unicode_escape") for row in rows}


def restored(out: Path) -> bool:
    """Restore the earlier result that an interrupted run had set aside; return whether a result exists."""
    real = Path(os.path.realpath(out))
    _tidy(real)
    return real.is_dir() and bool(_inventory(real))


def damage(out: Path) -> list[str]:
    """Messages on files of a result that are missing or changed."""
    listed = _inventory(out)
    wrong = []
    for name, digest in listed.items():
        file = out / name
        if not file.is_file():
            wrong.append(f"{name} is missing")
        elif _digest(file) != digest:
            wrong.append(f"{name} is not as it was written")
    return wrong


def _strangers(folder: Path) -> list[str]:
    """Paths in a folder that are not of its result; all entries if there is no inventory."""
    listed = _inventory(folder)
    files = sorted(path for path in folder.rglob("*") if path.is_symlink() or not path.is_dir())
    names = [path.relative_to(folder).as_posix() for path in files]
    strange = [
        name
        for name, path in zip(names, files, strict=True)
        if name != INVENTORY and (path.is_symlink() or not path.is_file() or listed.get(name) != _digest(path))
    ]
    if not listed:
        strange = [entry.name for entry in sorted(folder.iterdir())]
    return strange


def _inventory(folder: Path) -> dict[str, str]:
    """Digests of the files of a result by path; empty if no inventory can be read."""
    file = folder / INVENTORY
    try:
        data = json.loads(file.read_text(encoding="utf-8")) if file.is_file() and not file.is_symlink() else {}
        files = data.get("files", {}) if data.get("format") == "armsim-inventory/1" else {}
        return {str(name): str(digest) for name, digest in files.items()}
    except (OSError, ValueError, AttributeError):
        return {}


def _scenario_of(folder: Path) -> str | None:
    """Scenario of the result in a folder, from its inventory."""
    try:
        data = json.loads((folder / INVENTORY).read_text(encoding="utf-8"))
        return str(data["made_from"]) if data.get("made_from") else None
    except (OSError, ValueError, AttributeError, KeyError):
        return None


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _write_inventory(folder: Path, scenario_file: Path | None) -> None:
    """Write the inventory of a result."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    listed = {path.relative_to(folder).as_posix(): _digest(path) for path in files}
    origin = None if scenario_file is None else os.path.realpath(scenario_file)
    data = {"format": "armsim-inventory/1", "made_from": origin, "files": listed}
    (folder / INVENTORY).write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")


def _preserve_strangers(earlier: Path, out: Path) -> list[str]:
    """Move user files from an earlier result into the new one; return their paths."""
    strangers = _strangers(earlier)
    for name in strangers:
        target = out / name
        if target.exists() or target.is_symlink():
            target = out / KEPT / name
        target.parent.mkdir(parents=True, exist_ok=True)
        (earlier / name).rename(target)
    return strangers


@contextmanager
def folder(
    out: Path, scenario_file: Path | None = None, on_written: Callable[[Path], None] = lambda target: None
) -> Iterator[Path]:
    """Yield a temporary folder next to ``out``, which replaces it when complete; then call ``on_written``.

    Files that somebody put into the earlier result meanwhile are kept: in their place, or under `KEPT`.
    """
    requested, out = out, Path(os.path.realpath(out))  # a link to a folder stays, and leads to the new result
    out.parent.mkdir(parents=True, exist_ok=True)
    _tidy(out)
    partial = Path(tempfile.mkdtemp(prefix=_mark(out, "partial", os.getpid()), dir=out.parent))
    try:
        partial.chmod(0o755)
        yield partial
        _write_inventory(partial, scenario_file)
        earlier = _move(partial, out)
        on_written(requested)
        if earlier is not None:
            _preserve_strangers(earlier, out)
            shutil.rmtree(earlier.parent if earlier.name == SET_ASIDE else earlier, ignore_errors=True)
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def _mark(out: Path, what: str, process: int | None = None) -> str:
    """Prefix of the names of hidden folders: of one process of this machine, or of any."""
    machine = "".join(c for c in platform.node() if c.isalnum())[:16]
    owner = "" if process is None else f"{process}-{TOKEN}-"
    raw = os.fsencode(out.name)
    name = out.name
    if len(raw) > LONGEST:
        name = f"{raw[:LONGEST].decode(errors='ignore')}-{hashlib.blake2b(raw, digest_size=4).hexdigest()}"
    return f".{name}.{what}-{machine}-{owner}"


def _move(partial: Path, out: Path) -> Path | None:
    """Move a folder to the path of another; return the new path of the replaced one, or None."""
    if not out.exists():
        try:
            partial.rename(out)
            return None
        except OSError:
            if not out.exists():  # else another run has put its own there meanwhile
                raise
    if _exchange(partial, out):
        return partial
    earlier = Path(tempfile.mkdtemp(prefix=_mark(out, "earlier", os.getpid()), dir=out.parent))
    out.rename(earlier / SET_ASIDE)
    try:
        partial.rename(out)
    except BaseException:
        (earlier / SET_ASIDE).rename(out)
        shutil.rmtree(earlier, ignore_errors=True)
        raise
    return earlier / SET_ASIDE


def _exchange(first: Path, second: Path) -> bool:
    """Exchange two folders atomically; return whether the system could."""
    if os.name != "posix":
        return False
    library = ctypes.CDLL(None, use_errno=True)
    names = os.fsencode(first), os.fsencode(second)
    if sys.platform == "darwin" and hasattr(library, "renamex_np"):
        return bool(library.renamex_np(*names, SWAP) == 0)
    if hasattr(library, "renameat2"):
        return bool(library.renameat2(AT_FDCWD, names[0], AT_FDCWD, names[1], EXCHANGE) == 0)
    return False


def _tidy(out: Path) -> None:
    """Remove temporary folders of interrupted runs, and restore an earlier result that one had set aside."""
    if not out.parent.is_dir():
        return
    for what in ("partial", "earlier"):
        for leftover in out.parent.glob(f"{glob.escape(_mark(out, what))}*"):
            process, _, remainder = leftover.name.removeprefix(_mark(out, what)).partition("-")
            # a number may have been given again, as that of the first process of a container is
            ours = process == str(os.getpid()) and remainder.partition("-")[0] == TOKEN
            if not process.isdigit() or ours or (process != str(os.getpid()) and _alive(int(process))):
                continue
            if what == "earlier" and not out.exists() and (leftover / SET_ASIDE).is_dir():
                (leftover / SET_ASIDE).rename(out)
            if out.is_dir() and _inventory(leftover):
                _preserve_strangers(
                    leftover, out
                )  # an earlier result that was exchanged, and the run killed before it was taken away
            shutil.rmtree(leftover, ignore_errors=True)


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
