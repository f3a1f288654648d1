"""Files and folders that a command makes anew: nothing is replaced, what cannot be made is told as bad input."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest
from support import ROOT, invoke

from armsim.cli.options import write_new
from armsim.errors import RunError


@pytest.fixture
def no_links(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file system without hard links, such as FAT or exFAT."""

    def refuse(*arguments: Any, **named: Any) -> None:
        raise OSError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "link", refuse)


@pytest.mark.usefixtures("no_links")
def test_a_starter_where_there_are_no_hard_links(tmp_path: Path) -> None:
    process = invoke("new", tmp_path / "deep" / "starter")
    assert process.returncode == 0, process.stderr
    assert invoke("check", tmp_path / "deep" / "starter" / "scenario.yaml").returncode == 0


@pytest.mark.usefixtures("no_links")
def test_a_new_file_replaces_nothing(tmp_path: Path) -> None:
    (tmp_path / "there").write_text("before")
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    for name in ("there", "link"):
        with pytest.raises(RunError, match="File exists"):
            write_new(tmp_path / name, "after")
    assert (tmp_path / "there").read_text() == "before"
    assert not (tmp_path / "nowhere").exists()
    write_new(tmp_path / "new", "text")
    assert (tmp_path / "new").read_text() == "text"
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["link", "new", "there"]


def test_a_new_file_is_whole_or_absent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*arguments: Any) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RunError, match="No space left"):
        write_new(tmp_path / "new", "text")
    assert not list(tmp_path.iterdir())


def places(tmp_path: Path) -> dict[str, tuple[Path, str]]:
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    (tmp_path / "file").write_text("")
    return {
        "dangling link": (tmp_path / "link", "is a dangling link"),
        "below a dangling link": (tmp_path / "link" / "starter", ""),
        "long": (tmp_path / ("x" * 300), "File name too long"),
        "long, deep": (tmp_path / "deep" / ("x" * 300), "File name too long"),
        "proc": (Path("/proc/starter"), ""),
        "sys": (Path("/sys/starter"), ""),
        "below a file": (tmp_path / "file" / "starter", "Not a directory"),
        "file": (tmp_path / "file", "already exists"),
        "not empty": (tmp_path, "already exists"),
    }


PLACES = [
    "dangling link", "below a dangling link", "long", "long, deep", "proc", "sys", "below a file", "file", "not empty",
]  # fmt: skip


@pytest.mark.parametrize("name", PLACES)
def test_a_folder_that_cannot_be_made_is_bad_input(tmp_path: Path, name: str) -> None:
    folder, message = places(tmp_path)[name]
    before = sorted(tmp_path.rglob("*"))
    process = invoke("new", folder)
    assert process.returncode == 2, process.stderr
    assert "DIR" in process.stderr
    assert message in process.stderr
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize("name", PLACES)
def test_a_file_that_cannot_be_made_is_told_before_any_work(tmp_path: Path, name: str) -> None:
    path = places(tmp_path)[name][0]
    before = sorted(tmp_path.rglob("*"))
    process = invoke("select", "nowhere.yaml", "--catalogue", "nowhere.yaml", "--write", path)
    assert process.returncode == 2, process.stderr
    assert "--write" in process.stderr
    assert "a new file in an existing folder" in process.stderr
    assert sorted(tmp_path.rglob("*")) == before


def test_a_folder_that_may_not_be_written(tmp_path: Path) -> None:
    folder = tmp_path / "empty"
    folder.mkdir()
    folder.chmod(0o500)
    if os.access(folder, os.W_OK):
        pytest.skip("this user may write everywhere")
    process = invoke("new", folder)
    assert process.returncode == 2, process.stderr
    assert "Permission denied" in process.stderr


def test_the_examples_of_the_manual_are_written(tmp_path: Path) -> None:
    """Those of the project, byte for byte, so that what the manual types runs from an installed package too."""
    process = invoke("new", tmp_path / "examples", "--demo")
    assert process.returncode == 0, process.stderr
    written = {str(path.relative_to(tmp_path / "examples")) for path in tmp_path.rglob("*.*") if path.is_file()}
    project = {str(path.relative_to(ROOT)) for name in ("scenarios", "configs") for path in (ROOT / name).rglob("*.*")}
    assert written == {name for name in project if not name.endswith(".png")}
    assert all((tmp_path / "examples" / name).read_bytes() == (ROOT / name).read_bytes() for name in written)
    assert "scenarios/bonding-cell.yaml" in process.stdout


def test_one_kind_of_starter(tmp_path: Path) -> None:
    process = invoke("new", tmp_path / "examples", "--demo", "--arm", "Puma560")
    assert process.returncode == 2
    assert "--demo: together with --arm; accepted: one of the two" in process.stderr
    assert not list(tmp_path.iterdir())
