"""Killed, out of room, two at once: the earlier result stays whole, the new one is whole or absent."""

import json
import multiprocessing
import os
import resource
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from support import BLANK, HANG, ROOT, until, wait_for_sampling

import armsim
from armsim.errors import RunError
from armsim.report import output_folder as place
from armsim.report.run_folder import write_run_folder
from armsim.results import Result

KILLS = 12
WITH_TESTS = {**os.environ, "PYTHONPATH": os.pathsep.join((str(ROOT), str(ROOT / "tests")))}
LESSON = ROOT / "scenarios" / "lessons" / "eccentricity.yaml"
LEFT = {"figures", "inventory.json", "manifest.json", "report.html", "report.pdf", "results.json", "tables"}

KILLER = """
import json, os, random, signal, sys, time
from blank_figures import blank_figure
from dataclasses import replace
from pathlib import Path
import armsim
from armsim.report import drawing
from armsim.report.run_folder import write_run_folder

drawing.save_figure = blank_figure  # to lay them out takes nine tenths of the time of a writing
out, kills = Path(sys.argv[1]) / "r", int(sys.argv[2])
study = armsim.load(sys.argv[3]).with_plan(units=30, visits=2)
result = study.run(1)
def write(number):
    write_run_folder(out, replace(result, seed=number), study.scenario, f"number {number}")
started = time.perf_counter()
write(0)
whole = time.perf_counter() - started
draw, held, told = random.Random(4), 0, []
for number in range(1, kills + 1):
    child = os.fork()
    if child == 0:
        write(number)
        os._exit(0)
    time.sleep(draw.uniform(0.0, 1.1 * whole))  # a random moment of a writing, as measured beside it
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    seen = {entry.name for entry in out.iterdir()}
    seed = json.loads((out / "results.json").read_text())["seed"]
    manifest = json.loads((out / "manifest.json").read_text())
    pdf = (out / "report.pdf").read_bytes()
    page = (out / "report.html").read_text()
    assert seed in (held, number), (seed, held, number)
    assert manifest["seed"] == seed and manifest["command"] == f"number {seed}"
    assert page.rstrip().endswith("</html>") and f"number {seed}" in page
    assert pdf.startswith(b"%PDF") and pdf.rstrip().endswith(b"%%EOF")
    told.append(seed == number)
    held = seed
write(999)
print(json.dumps({"replaced": sum(told), "kept": len(told) - sum(told), "seen": sorted(seen),
                  "left": sorted(entry.name for entry in out.parent.iterdir())}))
"""


def test_killed_at_random_moments(tmp_path: Path) -> None:
    """Many times, anywhere between the first byte and after the last; what killed runs left, the next takes away."""
    process = subprocess.run(
        [sys.executable, "-c", KILLER, str(tmp_path), str(KILLS), str(LESSON)],
        capture_output=True, text=True, timeout=2 * HANG, check=False, env=WITH_TESTS,
    )  # fmt: skip
    assert process.returncode == 0, process.stderr
    output = json.loads(process.stdout)
    assert output["replaced"] + output["kept"] == KILLS
    assert output["kept"] > KILLS // 4
    assert set(output["seen"]) == LEFT
    assert output["left"] == ["r"]


@pytest.fixture(scope="module")
def small() -> tuple[Any, Result]:
    study = armsim.load(LESSON).with_plan(units=20, visits=2)
    return study.scenario, study.run(1)


def seed_in(out: Path) -> int:
    return int(json.loads((out / "results.json").read_text())["seed"])


def test_killed_between_two_moves(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the system cannot exchange folders in one step, a run killed half-way is mended by the next."""
    out = tmp_path / "r"
    earlier = '{"format": "armsim-results/1", "told": "earlier"}'
    with place.folder(out) as partial:
        (partial / "results.json").write_text(earlier)
    monkeypatch.setattr(place, "_exchange", lambda one, other: False)
    child = os.fork()
    if child == 0:
        rename, moves = Path.rename, []

        def once(self: Path, target: Any) -> Any:
            moves.append(target)
            if len(moves) == 2:
                os._exit(9)
            return rename(self, target)

        Path.rename = once  # type: ignore[method-assign]
        with place.folder(out) as partial:
            (partial / "results.json").write_text("new")
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9
    assert not out.exists()
    place.check_destination(out)  # what every command does first
    assert (out / "results.json").read_text() == earlier
    assert [entry.name for entry in tmp_path.iterdir()] == ["r"]


def test_a_folder_of_a_living_run_is_left_alone(tmp_path: Path) -> None:
    with place.folder(tmp_path / "r") as one, place.folder(tmp_path / "r") as other:
        assert one.exists()
        (one / "a").write_text("1")
        (other / "a").write_text("2")
    assert (tmp_path / "r" / "a").read_text() == "1"  # the last to be done
    assert [entry.name for entry in tmp_path.iterdir()] == ["r"]


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    with place.folder(tmp_path / "link") as partial:
        (partial / "a").write_text("1")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real" / "a").read_text() == "1"


@pytest.mark.parametrize("most", [1_000, 20_000, 60_000])
def test_out_of_room(tmp_path: Path, small: tuple[Any, Result], most: int) -> None:
    """No file may grow beyond a limit, as on a full disk: the write fails, the earlier result stays."""
    scenario, result = small
    write_run_folder(tmp_path / "r", result, scenario, "first")
    before = {path: path.read_bytes() for path in (tmp_path / "r").rglob("*") if path.is_file()}
    child = os.fork()
    if child == 0:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
        try:
            write_run_folder(tmp_path / "r", result, scenario, "second")
        except (OSError, RunError):
            os._exit(7)
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 7
    assert {path: path.read_bytes() for path in (tmp_path / "r").rglob("*") if path.is_file()} == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["r"]


def test_the_command_out_of_room(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "armsim.cli.main", "run", str(LESSON), "--units", "20", "--visits", "2"]

    def limited() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (9_000, 9_000))

    process = subprocess.run(
        [*command, "--out", str(tmp_path / "r")], preexec_fn=limited, capture_output=True, text=True, check=False
    )
    assert process.returncode == 3
    assert "nothing was written" in process.stderr
    assert "Traceback" not in process.stderr
    assert list(tmp_path.iterdir()) == []


def test_two_runs_into_one_folder(tmp_path: Path) -> None:
    """Both end well; what stands there is of one of them, whole."""
    command = [*BLANK, "run", str(LESSON), "--units", "30", "--visits", "2"]
    both = [
        subprocess.Popen(
            [*command, "--out", str(tmp_path / "r"), "--seed", str(seed)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        for seed in (101, 202)
    ]
    ends = [process.communicate(timeout=HANG)[1].decode() for process in both]
    assert [process.returncode for process in both] == [0, 0], ends
    seed = seed_in(tmp_path / "r")
    assert seed in (101, 202)
    assert json.loads((tmp_path / "r" / "manifest.json").read_text())["seed"] == seed
    assert f"--seed {seed}" in (tmp_path / "r" / "report.html").read_text()
    assert {entry.name for entry in (tmp_path / "r").iterdir()} == LEFT
    assert [entry.name for entry in tmp_path.iterdir()] == ["r"]


def test_a_killed_worker_is_told() -> None:
    study = armsim.load(ROOT / "scenarios" / "bonding-cell.yaml").with_plan(units=3000, visits=30)
    killed = []

    def kill(task: str, completed: int, total: int) -> None:
        children = multiprocessing.active_children()
        if completed and children and not killed:
            killed.append(children[0].pid)
            os.kill(children[0].pid or 0, signal.SIGKILL)

    with pytest.raises(RunError, match="killed"):
        study.run(2, progress=kill, processes=True)
    assert killed
    until(
        lambda: not multiprocessing.active_children(), "the other worker, which this process would wait for, has ended"
    )


@pytest.mark.parametrize("way", [signal.SIGINT, signal.SIGTERM])
def test_stopped_by_a_signal(tmp_path: Path, way: signal.Signals) -> None:
    command = [sys.executable, "-m", "armsim.cli.main", "run", str(ROOT / "scenarios" / "bonding-cell.yaml")]
    process = subprocess.Popen(
        [*command, "--units", "20000", "--out", str(tmp_path / "r")], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    wait_for_sampling(process)
    process.send_signal(way)
    output = process.communicate(timeout=HANG)[1].decode()
    assert process.returncode == 3
    assert "stopped; nothing was written" in output
    assert list(tmp_path.iterdir()) == []
