"""Runs that are stopped: they end soon, say what is there, and leave no process and nothing half-written behind."""

from __future__ import annotations

import fcntl
import io
import os
import signal
import subprocess
import sys
import termios
from pathlib import Path

import pytest
from support import BLANK, HANG, ROOT, until, wait_for_sampling

ARMSIM = [sys.executable, "-m", "armsim.cli.main"]
LONG = [
    *ARMSIM,
    "run",
    str(ROOT / "scenarios" / "bonding-cell.yaml"),
    "--units",
    "100000",
    "--visits",
    "1000000",
    "--yes",
]
"""A single piece of it takes hours: whoever waits for one meets the guard against hanging."""


def started(*more: str, ignored: tuple[int, ...] = ()) -> subprocess.Popen[bytes]:
    def ignore() -> None:  # nothing but these, however the tests themselves were started
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN if number in ignored else signal.SIG_DFL)

    process = subprocess.Popen([*LONG, *more], stdout=subprocess.PIPE, stderr=subprocess.PIPE, preexec_fn=ignore)
    wait_for_sampling(process)
    return process


def descendants(process: int) -> list[int]:
    children = [int(word) for word in Path(f"/proc/{process}/task/{process}/children").read_text().split()]
    return [*children, *(other for child in children for other in descendants(child))]


def gone(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except FileNotFoundError:
        return True


@pytest.mark.parametrize(
    ("way", "ignored"),
    [
        (signal.SIGINT, ()),
        (signal.SIGTERM, ()),
        (signal.SIGHUP, ()),
        (signal.SIGTERM, (signal.SIGINT, signal.SIGHUP)),  # under nohup
    ],
)
def test_it_does_not_wait_for_its_pieces(tmp_path: Path, way: signal.Signals, ignored: tuple[int, ...]) -> None:
    process = started("--out", str(tmp_path / "r"), ignored=ignored)
    for number in ignored:
        process.send_signal(number)  # stays ignored
    process.send_signal(way)
    output = process.communicate(timeout=HANG)[1].decode()
    assert process.returncode == 3
    assert output.splitlines()[-1] == "stopped; nothing was written"
    assert list(tmp_path.iterdir()) == []


def test_the_second_ends_at_once(tmp_path: Path) -> None:
    process = started("--out", str(tmp_path / "r"))
    process.send_signal(signal.SIGINT)
    process.send_signal(signal.SIGINT)
    output = process.communicate(timeout=HANG)[1].decode()
    assert process.returncode == 3
    assert "Traceback" not in output
    assert "stopped" in output


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="the system does not list the processes of a process")
@pytest.mark.parametrize("way", [signal.SIGKILL, signal.SIGHUP, signal.SIGTERM])
def test_no_process_stays_behind(tmp_path: Path, way: signal.Signals) -> None:
    process = started("--processes", "--workers", "2", "--out", str(tmp_path / "r"))
    until(lambda: len(descendants(process.pid)) >= 4, "two workers, their server and its tracker")
    workers = descendants(process.pid)
    process.send_signal(way)
    process.communicate(timeout=HANG)
    for worker in workers:
        until(lambda worker=worker: gone(worker), f"process {worker} is still there")  # type: ignore[misc]


PIPE = 2**16
"""Bytes that a pipe takes. The result that is printed has more."""


def waiting(process: subprocess.Popen[bytes]) -> int:
    """Bytes that a process has printed and nobody has read."""
    assert process.stdout is not None
    return int.from_bytes(fcntl.ioctl(process.stdout, termios.FIONREAD, bytes(4)), sys.byteorder)


def test_stopped_while_printing(tmp_path: Path) -> None:
    """The result is there by then, and that is what is said."""
    small = [*BLANK, "run", str(ROOT / "scenarios" / "bonding-cell.yaml"), "--units", "20", "--visits", "2", "--json"]
    process = subprocess.Popen([*small, "--out", str(tmp_path / "r")], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    until(lambda: (tmp_path / "r").exists() and not list(tmp_path.glob(".r.*")), "the result is in its place")
    until(lambda: waiting(process) > PIPE - io.DEFAULT_BUFFER_SIZE, "it waits for a reader")
    process.send_signal(signal.SIGTERM)
    output = process.communicate(timeout=HANG)[1].decode()
    assert process.returncode == 3
    assert f"{tmp_path / 'r'} is written and complete" in output
    assert "nothing was written" not in output
    assert subprocess.run([*ARMSIM, "check", tmp_path / "r"], capture_output=True).returncode == 0


@pytest.mark.parametrize("shifts", [1, 2])
def test_killed_where_folders_do_not_change_places_in_one_step(tmp_path: Path, shifts: int) -> None:
    """The system has no such step: killed with the earlier result out of the way, `check` gives it back."""
    out = tmp_path / "r"
    code = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from armsim.report import output_folder as place\n"
        "place._exchange = lambda one, other: False\n"
        "out, kill = Path(sys.argv[1]), int(sys.argv[2])\n"
        "plain, done = Path.rename, []\n"
        "def rename(self, target):\n"
        "    plain(self, target)\n"
        "    done.append(self)\n"
        "    if len(done) == kill: os.kill(os.getpid(), 9)\n"
        "for text in ('first', 'second'):\n"
        "    if text == 'second': Path.rename, done[:] = rename, []\n"
        "    with place.folder(out) as partial:\n"
        "        (partial / 'results.json').write_text(text)\n"
    )
    process = subprocess.run([sys.executable, "-c", code, out, str(shifts)], capture_output=True, check=False)
    assert process.returncode == -signal.SIGKILL, process.stderr
    assert out.exists() == (shifts == 2)
    checked = subprocess.run([*ARMSIM, "check", str(out)], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stderr
    assert "the result is complete" in checked.stdout
    assert (out / "results.json").read_text() == ("first" if shifts == 1 else "second")
    assert [entry.name for entry in tmp_path.iterdir()] == ["r"]


def test_a_result_that_is_damaged_is_told(tmp_path: Path) -> None:
    from armsim.report import output_folder as place

    with place.folder(tmp_path / "r") as partial:
        (partial / "results.json").write_text("{}")
        (partial / "a.csv").write_text("1")
    (tmp_path / "r" / "results.json").write_text("{ }")
    (tmp_path / "r" / "a.csv").unlink()
    process = subprocess.run([*ARMSIM, "check", str(tmp_path / "r")], capture_output=True, text=True, check=False)
    assert process.returncode == 2
    assert "results.json is not as it was written" in process.stderr
    assert "a.csv is missing" in process.stderr
    (tmp_path / "empty").mkdir()
    process = subprocess.run([*ARMSIM, "check", str(tmp_path / "empty")], capture_output=True, text=True, check=False)
    assert process.returncode == 2
    assert "is not the folder of a result" in process.stderr


def test_leftovers_of_a_process_of_the_same_number_are_removed(tmp_path: Path) -> None:
    """The first process of every container has the number 1."""
    from armsim.report import output_folder as place

    remainder = tmp_path / place._mark(tmp_path / "r", "partial", os.getpid()).replace(place.TOKEN, "00000000")
    remainder.mkdir()
    ours = tmp_path / place._mark(tmp_path / "r", "partial", os.getpid())
    ours.mkdir()
    place.check_destination(tmp_path / "r")
    assert not remainder.exists()
    assert ours.exists()


@pytest.mark.skipif(not Path("/dev/shm").is_mount(), reason="no such mount point here")
def test_a_mount_point_is_refused_before_the_run() -> None:
    process = subprocess.run([*LONG, "--out", "/dev/shm"], capture_output=True, text=True, check=False)
    assert process.returncode == 2
    assert "is a mount point" in process.stderr
