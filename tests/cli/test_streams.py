"""Standard output and standard error closed, broken or full: the exit code stays true. Source of what is due: common
practice, no source; a stream that the caller closed or no longer reads is not wanted, a full disk is a fault."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest
from support import BLANK, ROOT

SCENARIO = ROOT / "scenarios" / "lessons" / "eccentricity.yaml"
SMALL = ("--units", "100", "--visits", "2", "--workers", "1")  # enough for an interval


class Outcome(NamedTuple):
    code: int
    out: str
    err: str


def outcome(*words: object, out: str = "read", err: str = "read", cwd: Path) -> Outcome:
    """A command of a process of its own, with each stream read, closed, a pipe that nobody reads, or a full disk."""
    start = BLANK if words[0] == "run" else (sys.executable, "-m", "armsim.cli.main")
    shell = [*start, *map(str, words)]
    reader, writer = os.pipe()
    os.close(reader)
    redirect = {"read": "{0}>{1}", "closed": "{0}>&-", "broken": f"{{0}}>&{writer}", "full": "{0}>/dev/full"}
    places = {1: redirect[out].format(1, "out.txt"), 2: redirect[err].format(2, "err.txt")}
    try:
        process = subprocess.run(
            ["bash", "-c", f'exec "$@" {places[1]} {places[2]}', "bash", *shell],
            stdin=subprocess.DEVNULL, pass_fds=(writer,), cwd=cwd, check=False,
        )  # fmt: skip
    finally:
        os.close(writer)
    texts = [(cwd / name).read_text() if (cwd / name).exists() else "" for name in ("out.txt", "err.txt")]
    return Outcome(process.returncode, *texts)


@pytest.fixture
def project(tmp_path: Path) -> Path:
    (tmp_path / "bad.yaml").write_text("nonsense: 1\n")
    text = f"kind: scenario\nbase: {SCENARIO}\nchanges: {{requirement: {{position: 1 nm, coverage: 95 %}}}}\n"
    (tmp_path / "tight.yaml").write_text(text)
    return tmp_path


COMMANDS: dict[str, tuple[int, tuple[object, ...]]] = {
    "check": (0, ("check", SCENARIO)),
    "check of bad input": (2, ("check", "bad.yaml")),
    "run not met": (1, ("run", "tight.yaml", *SMALL, "--out", "r")),
    "run of bad input": (2, ("run", "bad.yaml", "--out", "r")),
    "explain": (0, ("explain",)),
    "explain of no word": (2, ("explain", "xyzzy")),
    "schema": (0, ("schema", "scenario")),
    "version": (0, ("--version",)),
    "help": (0, ("run", "--help")),
    "no option": (2, ("run", "--nonsense")),
    "new": (0, ("new", "starter")),
}
WAYS = [("closed", "read"), ("read", "closed"), ("closed", "closed"), ("broken", "read"), ("broken", "broken")]
EVERY_WAY = ("check", "run of bad input", "schema")
CASES = [(name, *way) for name in COMMANDS for way in (WAYS if name in EVERY_WAY else WAYS[2:4])]
"""A process takes a second, a whole run takes several: all ways for one that ends well, one that does not, and one for
machines; two for the others, which end as these do."""


@pytest.mark.parametrize(("name", "out", "err"), CASES)
def test_a_stream_that_is_not_wanted_changes_no_exit_code(project: Path, name: str, out: str, err: str) -> None:
    code, words = COMMANDS[name]
    result = outcome(*words, out=out, err=err, cwd=project)
    assert result.code == code, result.err
    assert "Traceback" not in result.err
    assert "Error" not in result.err
    if err == "read" and code == 2:
        assert result.err.startswith("error: ")
    if err == "closed" and out == "read":
        assert "caution" not in result.out  # nothing of one stream goes into the other
        assert "error" not in result.out.splitlines()[:1]
    if words[0] == "run" and code < 2 and "r" in words:
        assert outcome("check", "r", cwd=project).code == 0


@pytest.mark.parametrize(
    ("name", "location"), [("run not met", "r is written and complete"), ("schema", "nothing was written")]
)
def test_a_full_standard_output_is_a_fault(project: Path, name: str, location: str) -> None:
    result = outcome(*COMMANDS[name][1], out="full", cwd=project)
    assert result.code == 3
    assert (
        result.err.splitlines()[-1] == f"error: standard output cannot be written: No space left on device; {location}"
    )


def test_a_full_standard_output_takes_no_scenario_back(project: Path) -> None:
    result = outcome("new", "starter", out="full", cwd=project)
    assert result.code == 3
    assert "starter is written and complete" in result.err
    assert outcome("check", "starter/scenario.yaml", cwd=project).code == 0


@pytest.mark.parametrize("name", ["check", "run not met", "explain of no word"])
def test_a_full_standard_error_changes_no_exit_code(project: Path, name: str) -> None:
    code, words = COMMANDS[name]
    assert outcome(*words, err="full", cwd=project).code == code
