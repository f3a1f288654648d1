"""Processes that draw beside a run end before it does."""

from __future__ import annotations

import subprocess
import sys

import pytest
import typer
from support import ROOT, invoke

from armsim.report.helpers import Helpers

LAST = """
import time
from concurrent.futures import process

from armsim.report.helpers import Helpers

wakeup = process._ThreadWakeup.wakeup


def late(self):
    # as the interpreter does on leaving, put aside between its look whether the pool is open and its step
    if self._closed or not process._global_shutdown:
        return wakeup(self)
    while not self._closed:
        time.sleep(0.001)
    self._writer.send_bytes(b"")


process._ThreadWakeup.wakeup = late
with Helpers(2) as helpers:
    assert helpers.submit(len, "abc").result() == 3
"""
ENDED = """
import multiprocessing
import threading

from armsim.report.helpers import Helpers

for by_hand in (False, True):
    with Helpers(2) as helpers:
        assert helpers.submit(len, "abc").result() == 3
        if by_hand:
            helpers.stop()
            assert helpers.memory == 0 and not multiprocessing.active_children()
    assert not multiprocessing.active_children()
    assert [thread.name for thread in threading.enumerate()] == ["MainThread"]
"""


def script(text: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=False)


def test_no_traceback_on_leaving() -> None:
    """The interpreter, on leaving, woke pools that closed at that moment: once in some twenty runs a traceback with
    'Bad file descriptor' followed a good run. Here the unlucky order always comes."""
    completed = script(LAST)
    assert (completed.returncode, completed.stderr) == (0, "")


def test_they_end_within_the_block() -> None:
    completed = script(ENDED)
    assert (completed.returncode, completed.stderr) == (0, "")


def test_helpers_of_a_run_that_is_not_met_are_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its exit code is raised through them. Not waited for, the interpreter printed a traceback now and then."""

    def not_met(*arguments: object) -> None:
        raise typer.Exit(1)

    waits: list[bool] = []
    stop = Helpers.stop

    def recorded(helpers: Helpers, wait: bool = True) -> None:
        waits.append(wait)
        stop(helpers, wait)

    monkeypatch.setattr("armsim.cli.run.run_command", not_met)
    monkeypatch.setattr(Helpers, "stop", recorded)
    assert invoke("run", ROOT / "scenarios" / "lessons" / "eccentricity.yaml", "--workers", "1").returncode == 1
    assert waits[0] is True


def test_drawing_loads_no_compiler() -> None:
    """Helper processes load what draws while the sampling has all processors."""
    completed = script(
        "import sys, armsim.figures; assert not {'numba', 'scipy', 'roboticstoolbox'} & set(sys.modules)"
    )
    assert (completed.returncode, completed.stderr) == (0, "")
