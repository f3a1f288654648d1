"""What reaches a terminal: nothing from input steers it, nothing is cut, and where nobody reads no exit code changes."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest
from support import HANG, ROOT, invoke

from armsim.documents.load import load_scenario

ARMSIM = [sys.executable, "-m", "armsim.cli.main"]
LESSON = ROOT / "scenarios" / "lessons" / "eccentricity.yaml"
DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
RED = "\x1b[31m"


def armsim(*arguments: object, **more: object) -> subprocess.CompletedProcess[str]:
    words = [*ARMSIM, *map(str, arguments)]
    return subprocess.run(words, capture_output=True, text=True, check=False, **more)  # type: ignore[call-overload, no-any-return]


def on_a_terminal(columns: int, *arguments: object) -> str:
    """What a command writes on a terminal so wide."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    environment = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
    words = [*ARMSIM, *map(str, arguments)]
    with subprocess.Popen(
        words, stdout=theirs, stderr=subprocess.PIPE, env={**environment, "TERM": "xterm"}
    ) as process:
        os.close(theirs)
        out = b""
        while True:
            try:
                piece = os.read(ours, 65536)
            except OSError:  # the other end is closed
                break
            if not piece:
                break
            out += piece
        assert process.stderr is not None
        assert process.wait(HANG) == 0, process.stderr.read()
    os.close(ours)
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", out.decode())


def numbers(text: str) -> list[str]:
    """Numbers with digits after the point, as they are printed."""
    return sorted(re.findall(r"\d+\.\d+", text))


@pytest.mark.parametrize("columns", [40, 80, 200])
def test_numbers_are_whole_at_any_width(columns: int) -> None:
    """Those on a terminal are those that another program reads."""
    plain = armsim("check", DEMO)
    assert "─" not in plain.stdout  # plain columns for a program
    assert numbers(plain.stdout)
    output = on_a_terminal(columns, "check", DEMO)
    assert numbers(output) == numbers(plain.stdout)
    assert "…" not in output


@pytest.mark.parametrize("columns", [80, 120])
def test_check_begins_with_all_joints(columns: int) -> None:
    """One table of them first, each on a line of its own at eighty columns, its numbers those of its terms below."""
    for scenario in (DEMO, ROOT / "scenarios" / "seven-from-sheets.yaml", ROOT / "scenarios" / "track-cell.yaml"):
        lines = on_a_terminal(columns, "check", scenario).splitlines()
        first = next(n for n, line in enumerate(lines) if line.split()[:2] == ["joint", "encoder"])
        assert first < 6
        names = [joint.name for joint in load_scenario(scenario).machine.joints]
        table = lines[first + 2 : first + 2 + len(names)]
        assert [row.split()[0] for row in table] == names
        assert all(len(line) <= columns for line in lines[first:] if "─" in line)


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", f"{RED}x.yaml"),
        ("check", "x\nerror: forged"),
        ("run", f"{RED}x.yaml"),
        ("run", "--reproduce", f"{RED}m.json"),
        ("schema", f"{RED}arm"),
        ("run", LESSON, f"--{RED}"),
        ("run", LESSON, "--units", f"{RED}5"),
        ("run", LESSON, "--units", "0"),
        ("run", LESSON, "--memory", f"{RED}1GiB"),
        ("run", LESSON, "--memory", "9" * 400 + "GiB"),
        ("run", LESSON, "--memory", "１GiB"),
        ("new", f"/dev/null/{RED}\nx"),
        (f"{RED}nothing",),
    ],
)
def test_nothing_from_the_command_line_steers_the_terminal(arguments: tuple[object, ...], tmp_path: Path) -> None:
    """One line of error, with what is hidden shown as escapes, and exit code 2 or 3."""
    process = armsim(*arguments, cwd=tmp_path)
    assert process.returncode in (2, 3)
    assert "\x1b" not in process.stderr + process.stdout
    assert process.stderr.startswith("error: ")
    assert process.stderr.count("\n") == 1
    assert not list(tmp_path.iterdir())


def test_a_folder_of_any_name(tmp_path: Path) -> None:
    """Names that would steer a terminal are fine for a folder, and are shown escaped."""
    process = armsim("run", LESSON, "--units", 20, "--visits", 2, "--out", tmp_path / f"a{RED}b")
    assert process.returncode == 0, process.stderr
    assert "\x1b" not in process.stderr
    assert "\\x1b[31m" in process.stderr
    assert (tmp_path / f"a{RED}b" / "report.pdf").is_file()
    raw = [*map(os.fsencode, ARMSIM), b"run", os.fsencode(LESSON), b"--out", os.fsencode(tmp_path) + b"/\xff"]
    refused = subprocess.run(raw, capture_output=True, check=False)
    assert refused.returncode == 2
    assert b"a name that is not UTF-8" in refused.stderr


def test_nobody_reads_standard_error() -> None:
    """A full standard error changes no exit code."""
    with Path("/dev/full").open("w") as full:
        for arguments, code in ((("check", DEMO), 0), (("check", "nowhere.yaml"), 2)):
            assert (
                subprocess.run([*ARMSIM, *map(str, arguments)], stdout=subprocess.DEVNULL, stderr=full).returncode
                == code
            )


def test_a_backend_that_is_none(tmp_path: Path) -> None:
    """The environment names a way of drawing that does not exist, and settings of a user that would change figures."""
    (tmp_path / "matplotlibrc").write_text("text.usetex: True\nfont.size: 40\n")
    environment = {**os.environ, "MPLBACKEND": "nonsense", "MATPLOTLIBRC": str(tmp_path / "matplotlibrc")}
    words = ("run", LESSON, "--units", 20, "--visits", 2, "--out", tmp_path / "r")
    process = armsim(*words, env=environment)
    assert process.returncode == 0, process.stderr
    plain = invoke(*words[:-1], tmp_path / "p", pictures=True)
    assert plain.returncode == 0
    for file in (tmp_path / "p" / "figures").glob("*.svg"):
        assert file.read_bytes() == (tmp_path / "r" / "figures" / file.name).read_bytes()
