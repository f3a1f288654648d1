"""Where results are put: written beside their place and moved there whole, so that nothing half-written is ever seen.

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
"""Of renameat2 on Linux, and of renamex_np on macOS."""


INVENTORY = "inventory.json"
"""Files of a result with their digests: what is not in it, or has changed, belongs to somebody else."""
TOKEN = secrets.token_hex(4)
"""Of this process."""
LONGEST = 100
"""Bytes of the name of a folder that the hidden ones beside it take up; they need room for more."""
SET_ASIDE = "result"
"""Name of an earlier result in the hidden folder in which it waits."""
KEPT = "kept"
"""Folder into which files go that a user put into a result while it was replaced, where their place is taken."""


def check_destination(out: Path, inputs: Iterable[Path] = (), made_from: Path | None = None) -> None:
    """Refuse to replace a folder that is not an earlier result and nothing else.

    Parameters
    ----------
    out : Path
    inputs : iterable of Path
        Files that are read: none of them may lie in the folder.
    made_from : Path, optional
        Scenario whose earlier result alone may be replaced: of a folder that nobody named.

    Raises
    ------
    InputError
        The folder holds something else, or cannot be made.
    """

    def fault(found: str, accepted: str) -> InputError:
        return InputError(Problem(str(out), 0, 0, "--out", found, accepted))

    accepted = "a new folder, an empty one, or an earlier result alone"
    try:
        real = Path(os.path.realpath(out))
        if out.is_symlink() and not out.exists():
            raise fault("is a link that leads nowhere", accepted)
        _tidy(real)
        if real.exists() and not real.is_dir():
            raise fault("is a file", "a folder")
        if _is_mount(real):
            raise fault("is a mount point, which cannot change places with a new result", "a folder within it")
        strangers = _strangers(real) if real.is_dir() else []
        if strangers:
            raise fault(f"holds other things than a result: {', '.join(strangers[:3])}", accepted)
        if made_from is not None and real.is_dir():
            other = _made_from(real)
            if other is not None and os.path.realpath(other) != os.path.realpath(made_from):
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
        found = getattr(error, "strerror", None) or "a name that is not UTF-8"
        raise fault(f"{out}: {found}", "a place where a folder can be made") from error


def _is_mount(folder: Path) -> bool:
    """Whether something is mounted there, be it a folder of the same file system."""
    if os.path.ismount(folder):
        return True
    try:
        rows = Path("/proc/self/mountinfo").read_text(encoding="utf-8", errors="surrogateescape").splitlines()
    except OSError:  # not Linux
        return False
    return str(folder) in {row.split()[4].encode().decode("unicode_escape") for row in rows}


def restored(out: Path) -> bool:
    """Give back the earlier result of a folder that a killed run had set aside; whether a result is there."""
    real = Path(os.path.realpath(out))
    _tidy(real)
    return real.is_dir() and bool(_inventory(real))


def damage(out: Path) -> list[str]:
    """Files of a result that are missing or not as they were written, each with what is wrong; for a reader."""
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
    """What a folder holds that is not of its result as it was written, by path; without an inventory, everything."""
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
    """Files of a result and their digests, as it was written; nothing where no inventory can be read."""
    file = folder / INVENTORY
    try:
        data = json.loads(file.read_text(encoding="utf-8")) if file.is_file() and not file.is_symlink() else {}
        files = data.get("files", {}) if data.get("format") == "armsim-inventory/1" else {}
        return {str(name): str(digest) for name, digest in files.items()}
    except (OSError, ValueError, AttributeError):
        return {}


def _made_from(folder: Path) -> str | None:
    """Scenario of which a folder holds the result, as its inventory tells."""
    try:
        data = json.loads((folder / INVENTORY).read_text(encoding="utf-8"))
        return str(data["made_from"]) if data.get("made_from") else None
    except (OSError, ValueError, AttributeError, KeyError):
        return None


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _take_stock(folder: Path, made_from: Path | None) -> None:
    """Write the inventory of a result."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    listed = {path.relative_to(folder).as_posix(): _digest(path) for path in files}
    origin = None if made_from is None else os.path.realpath(made_from)
    data = {"format": "armsim-inventory/1", "made_from": origin, "files": listed}
    (folder / INVENTORY).write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")


def _keep(earlier: Path, out: Path) -> list[str]:
    """Move what is not of an earlier result from it to where it stood; what was moved, by path."""
    strangers = _strangers(earlier)
    for name in strangers:
        place = out / name
        if place.exists() or place.is_symlink():
            place = out / KEPT / name
        place.parent.mkdir(parents=True, exist_ok=True)
        (earlier / name).rename(place)
    return strangers


@contextmanager
def folder(
    out: Path, made_from: Path | None = None, landed: Callable[[Path], None] = lambda place: None
) -> Iterator[Path]:
    """A folder beside ``out`` to write in, put in its place when all is written; ``landed`` is told at once.

    Files that somebody put into the earlier result meanwhile are kept: in their place, or under `KEPT`.
    """
    asked, out = out, Path(os.path.realpath(out))  # a link to a folder stays, and leads to the new result
    out.parent.mkdir(parents=True, exist_ok=True)
    _tidy(out)
    partial = Path(tempfile.mkdtemp(prefix=_mark(out, "partial", os.getpid()), dir=out.parent))
    try:
        partial.chmod(0o755)
        yield partial
        _take_stock(partial, made_from)
        earlier = _move(partial, out)
        landed(asked)
        if earlier is not None:
            _keep(earlier, out)
            shutil.rmtree(earlier.parent if earlier.name == SET_ASIDE else earlier, ignore_errors=True)
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def _mark(out: Path, what: str, process: int | None = None) -> str:
    """Beginning of the name of a hidden folder: of a process of this machine, or of any."""
    machine = "".join(c for c in platform.node() if c.isalnum())[:16]
    own = "" if process is None else f"{process}-{TOKEN}-"
    raw = os.fsencode(out.name)
    name = out.name
    if len(raw) > LONGEST:
        name = f"{raw[:LONGEST].decode(errors='ignore')}-{hashlib.blake2b(raw, digest_size=4).hexdigest()}"
    return f".{name}.{what}-{machine}-{own}"


def _move(partial: Path, out: Path) -> Path | None:
    """Put a folder in the place of another, or of none; where that other then stands."""
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


def _exchange(one: Path, other: Path) -> bool:
    """Let two folders change places in one step; whether the system has such a step."""
    if os.name != "posix":
        return False
    library = ctypes.CDLL(None, use_errno=True)
    names = os.fsencode(one), os.fsencode(other)
    if sys.platform == "darwin" and hasattr(library, "renamex_np"):
        return bool(library.renamex_np(*names, SWAP) == 0)
    if hasattr(library, "renameat2"):
        return bool(library.renameat2(AT_FDCWD, names[0], AT_FDCWD, names[1], EXCHANGE) == 0)
    return False


def _tidy(out: Path) -> None:
    """Take away what killed runs left beside a folder, and give back an earlier result that one had set aside."""
    if not out.parent.is_dir():
        return
    for what in ("partial", "earlier"):
        for left in out.parent.glob(f"{glob.escape(_mark(out, what))}*"):
            process, _, rest = left.name.removeprefix(_mark(out, what)).partition("-")
            # a number may have been given again, as that of the first process of a container is
            ours = process == str(os.getpid()) and rest.partition("-")[0] == TOKEN
            if not process.isdigit() or ours or (process != str(os.getpid()) and _alive(int(process))):
                continue
            if what == "earlier" and not out.exists() and (left / SET_ASIDE).is_dir():
                (left / SET_ASIDE).rename(out)
            if out.is_dir() and _inventory(left):
                _keep(left, out)  # an earlier result that was exchanged, and the run killed before it was taken away
            shutil.rmtree(left, ignore_errors=True)


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
