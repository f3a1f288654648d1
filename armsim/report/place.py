"""Where results are put: written beside their place and moved there whole, so that nothing half-written is ever seen.

An earlier result and the new one change places in one step of the file system, where it has such a step; a process that
is killed leaves the one or the other, and a hidden folder that the next run takes away.
"""

from __future__ import annotations

import ctypes
import glob
import os
import platform
import shutil
import sys
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from armsim.errors import InputError, Problem

AT_FDCWD, EXCHANGE, SWAP = -100, 2, 2
"""Of renameat2 on Linux, and of renamex_np on macOS."""


MARKS = ("results.json", "comparison.json", "what-if.json", "trade-off.json")
"""One of these, as this program begins it, makes a folder an earlier result."""
INSIDE = {"tables": {".csv", ".parquet"}, "figures": {".svg", ".png"}}
"""What its folders hold."""


def check_destination(out: Path, contents: set[str], inputs: Iterable[Path] = ()) -> None:
    """Refuse to replace a folder that is not an earlier result and nothing else.

    Parameters
    ----------
    out : Path
    contents : set of str
        Names that a result of this kind may have.
    inputs : iterable of Path
        Files that are read: none of them may lie in the folder.

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
        strangers = _strangers(real, contents) if real.is_dir() else []
        if strangers:
            raise fault(f"holds other things than a result: {', '.join(strangers[:3])}", accepted)
        for file in inputs:
            if real in Path(os.path.realpath(file)).parents:
                raise fault(f"holds {file}, which is read", "a folder apart from the inputs")
        parent = real.parent
        while not parent.exists():
            parent = parent.parent
        os.rmdir(tempfile.mkdtemp(prefix=_mark(real, "earlier", os.getpid()), dir=parent))
    except OSError as error:
        raise fault(f"{out}: {error.strerror}", "a place where a folder can be made") from error


def _strangers(folder: Path, contents: set[str]) -> list[str]:
    """What a folder holds that no result does; of a folder without the mark of a result, everything."""
    entries = sorted(entry.name for entry in folder.iterdir())
    marked = any(_is_result(folder / mark) for mark in MARKS)
    out = [name for name in entries if name not in contents or not marked]
    for name, endings in INSIDE.items():
        if (folder / name).is_dir():
            inside = sorted((folder / name).iterdir())
            out += [f"{name}/{file.name}" for file in inside if file.suffix not in endings or not file.is_file()]
    return out


def _is_result(file: Path) -> bool:
    if not file.is_file():
        return False
    with file.open("rb") as stream:
        return b'"armsim-' in stream.read(300)


@contextmanager
def folder(out: Path) -> Iterator[Path]:
    """A folder beside ``out`` to write in, put in its place when all is written."""
    out = Path(os.path.realpath(out))  # a link to a folder stays, and leads to the new result
    out.parent.mkdir(parents=True, exist_ok=True)
    _tidy(out)
    partial = Path(tempfile.mkdtemp(prefix=_mark(out, "partial", os.getpid()), dir=out.parent))
    try:
        partial.chmod(0o755)
        yield partial
        _move(partial, out)
    finally:
        shutil.rmtree(partial, ignore_errors=True)


def _mark(out: Path, what: str, process: int | None = None) -> str:
    """Beginning of the name of a hidden folder: of a process of this machine, or of any."""
    machine = "".join(c for c in platform.node() if c.isalnum())[:16]
    return f".{out.name}.{what}-{machine}-" + ("" if process is None else f"{process}-")


def _move(partial: Path, out: Path) -> None:
    """Put a folder in the place of another, or of none; of another, that then stands where the first was."""
    if not out.exists():
        try:
            partial.rename(out)
            return
        except OSError:
            if not out.exists():  # else another run has put its own there meanwhile
                raise
    if _exchange(partial, out):
        return
    earlier = Path(tempfile.mkdtemp(prefix=_mark(out, "earlier", os.getpid()), dir=out.parent))
    out.rename(earlier / "result")
    try:
        partial.rename(out)
    except BaseException:
        (earlier / "result").rename(out)
        raise
    finally:
        shutil.rmtree(earlier, ignore_errors=True)


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
            process = left.name.removeprefix(_mark(out, what)).partition("-")[0]
            if not process.isdigit() or _alive(int(process)):
                continue
            if what == "earlier" and not out.exists() and (left / "result").is_dir():
                (left / "result").rename(out)
            shutil.rmtree(left, ignore_errors=True)


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
