"""What the solver prints does not come between results."""

import ctypes
import os

import pytest

from armsim.decide.quiet_solver import silenced


def test_only_what_is_printed_around_it_is_seen(capfd: pytest.CaptureFixture[str]) -> None:
    """Through the buffers of the C library and past them."""
    library = ctypes.CDLL(None)
    library.puts(b"before")
    with silenced():
        library.puts(b"line of a solver")
        os.write(1, b"another\n")
    library.puts(b"after")
    library.fflush(None)
    assert capfd.readouterr().out == "before\nafter\n"


def test_a_closed_output_is_no_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdout", None)
    with silenced():
        pass
