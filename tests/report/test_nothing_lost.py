"""What a user puts into the folder of a result is never lost, and no result of another scenario is replaced unasked."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from relative_cost import Reference
from support import COARSE, HANG, ROOT, few_discs, invoke

from armsim.documents.source import read_source
from armsim.errors import InputError
from armsim.report import output_folder as place

SMALL = ("--units", "20", "--visits", "2")


def armsim(*arguments: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return invoke(*arguments, cwd=cwd)


@pytest.fixture
def starter(tmp_path: Path) -> Path:
    assert armsim("new", tmp_path / "s").returncode == 0
    return tmp_path / "s" / "scenario.yaml"


def write_result(out: Path, text: str) -> None:
    with place.folder(out) as partial:
        (partial / "results.json").write_text(text)
        (partial / "tables").mkdir()
        (partial / "tables" / "poses.csv").write_text(text)


def test_a_file_put_in_while_a_run_writes_is_kept(tmp_path: Path) -> None:
    """One beside the results, one where the new result has a file of its own."""
    out = tmp_path / "r"
    write_result(out, "first")
    with place.folder(out) as partial:
        (partial / "results.json").write_text("second")
        (out / "mine.txt").write_text("mine")
        (out / "tables" / "poses.csv").write_text("edited by hand")
        (partial / "tables").mkdir()
        (partial / "tables" / "poses.csv").write_text("second")
    assert (out / "results.json").read_text() == "second"
    assert (out / "mine.txt").read_text() == "mine"
    assert (out / "tables" / "poses.csv").read_text() == "second"
    assert (out / "kept" / "tables" / "poses.csv").read_text() == "edited by hand"


@pytest.mark.parametrize("exchange", [True, False])
def test_an_earlier_result_is_replaced_whole(tmp_path: Path, exchange: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """With and without a file system that exchanges two folders in one step; nothing hidden is left."""
    if not exchange:
        monkeypatch.setattr(place, "_exchange", lambda one, other: False)
    out = tmp_path / "r"
    write_result(out, "first")
    write_result(out, "second")
    assert (out / "results.json").read_text() == "second"
    assert [entry.name for entry in tmp_path.iterdir()] == ["r"]


@pytest.mark.parametrize("name", ["tables/mine.csv", "figures/mine.png", "notes.txt", "tables/deep/x.csv"])
def test_files_of_the_user_are_strangers(tmp_path: Path, name: str) -> None:
    """Of the endings that the program writes too: a result that holds one is refused before the run."""
    out = tmp_path / "r"
    write_result(out, "first")
    place.check_destination(out)
    (out / name).parent.mkdir(parents=True, exist_ok=True)
    (out / name).write_text("mine")
    with pytest.raises(InputError, match=name):
        place.check_destination(out)


def test_a_changed_file_is_the_users(tmp_path: Path) -> None:
    out = tmp_path / "r"
    write_result(out, "first")
    (out / "tables" / "poses.csv").write_text("first, and a remark")
    with pytest.raises(InputError, match=r"tables/poses\.csv"):
        place.check_destination(out)


def test_a_killed_exchange_loses_nothing(tmp_path: Path) -> None:
    """Killed after the exchange and before the earlier result was taken away: what was put into it comes back."""
    out = tmp_path / "r"
    write_result(out, "second")
    remainder = tmp_path / (place._mark(out, "partial") + "999999999-x")
    write_result(remainder, "first")
    (remainder / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match=r"mine\.txt"):  # back in its place, it is now in the way of the next
        place.check_destination(out)
    assert (out / "mine.txt").read_text() == "mine"
    assert not remainder.exists()


def test_two_starters_do_not_share_a_folder(starter: Path, tmp_path: Path) -> None:
    """Each scenario.yaml goes by the name of its folder; a result of another scenario of that name stays."""
    assert armsim("run", starter, *SMALL, cwd=tmp_path).returncode in (0, 1, 4)
    assert (tmp_path / "results" / "s" / "results.json").is_file()
    other = tmp_path / "elsewhere" / "s"
    shutil.copytree(starter.parent, other)
    before = (tmp_path / "results" / "s" / "results.json").read_bytes()
    process = armsim("run", other / "scenario.yaml", *SMALL, cwd=tmp_path)
    assert process.returncode == 2
    assert "--out" in process.stderr
    assert (tmp_path / "results" / "s" / "results.json").read_bytes() == before
    assert armsim("run", starter, *SMALL, cwd=tmp_path).returncode in (0, 1, 4)  # its own result may be made anew


def test_a_choice_is_written_though_nobody_reads(tmp_path: Path) -> None:
    """Standard output closed at once: the file is there, and the exit code is that of the answer."""
    demo, catalogue = ROOT / "scenarios" / "bonding-cell.yaml", few_discs(tmp_path)
    out = tmp_path / "chosen.yaml"
    words = [sys.executable, "-m", "armsim.cli.main", "select", demo, "--catalogue", catalogue, "--write", out]
    sizes = ("--units", "300", "--visits", "3", *COARSE)
    with subprocess.Popen([*map(str, words), *sizes], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        lines = process.stderr.read().decode()
        assert process.wait(HANG) in (0, 4), lines
    assert read_source(out).data["kind"] == "scenario"


@pytest.mark.parametrize(("written", "value"), [("0512", "512"), ("0100", "100"), ("-010", "-10"), ("00", "0")])
def test_numbers_that_begin_with_zero_are_refused(tmp_path: Path, written: str, value: str) -> None:
    """YAML 1.1 reads them as octal, people do not: the decimal reading is offered."""
    file = tmp_path / "x.yaml"
    file.write_text(f"kind: encoder\nsignal_periods: {written}\n")
    with pytest.raises(InputError, match=rf"x\.yaml:2:17: signal_periods: .*octal; accepted: {value}, if"):
        read_source(file)
    file.write_text("a: 0\nb: 0.5\nc: 10\nd: 1e05\n")
    assert read_source(file).data == {"a": 0, "b": 0.5, "c": 10, "d": 1e5}


@pytest.mark.parametrize(
    "text",
    [
        "a: &a {x: 1}\n" + "b:\n" + "  <<: [" + ", ".join(["*a"] * 300_000) + "]\n",
        "a: &a\n  x: 1\n  <<: *a\n",
        "m0: &m0 {k0: 1}\n" + "".join(f"m{n}: &m{n} {{<<: *m{n - 1}, k{n}: 1}}\n" for n in range(1, 3000)),
    ],
)
def test_merges_end(tmp_path: Path, text: str) -> None:
    """A list of 300 000 merges, a merge of itself, 3000 in a row: each one error, at once."""
    file = tmp_path / "x.yaml"
    file.write_text(text)
    with pytest.raises(InputError):
        read_source(file)
    plain = tmp_path / "plain.yaml"  # of half as many keys as a file may have values
    plain.write_text("".join(f"key{n}: 1\n" for n in range(50_000)))

    def refused() -> None:
        with contextlib.suppress(InputError):
            read_source(file)

    assert Reference(lambda: read_source(plain)).ratio(refused, 4.0) <= 4.0


def test_a_name_with_a_nul_is_one_error() -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_source(Path("a\0b.yaml"))
