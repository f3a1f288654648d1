"""What the solver prints does not come between results."""

import ctypes
import os
import threading

import pytest
from support import HANG

from armsim.decide import quiet_solver
from armsim.decide.quiet_solver import silenced
from armsim.run_options import Interrupted


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


def test_two_threads_leave_the_output_as_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two searches at once, as of two jobs of the page: the second would else restore the null device of the first."""
    second_runs, first_ends = threading.Event(), threading.Event()

    def solve(name: str) -> None:
        if name == "first":
            other.start()
            second_runs.wait(0.5)  # one that is not kept out enters at once
        else:
            second_runs.set()
            first_ends.wait(0.5)

    monkeypatch.setattr(quiet_solver.optimize, "milp", solve)
    other = threading.Thread(target=quiet_solver.milp, args=("second",))
    before = os.fstat(1)
    quiet_solver.milp("first")
    first_ends.set()
    other.join()
    after = os.fstat(1)
    assert (after.st_dev, after.st_ino) == (before.st_dev, before.st_ino)


def test_a_solution_is_left_where_a_stop_is_requested(monkeypatch: pytest.MonkeyPatch) -> None:
    """The solver cannot be ended: what it has begun ends by itself, and what waits for it never begins."""
    begun, released, solved = threading.Event(), threading.Event(), []

    def solve(name: str) -> None:
        begun.set()
        assert released.wait(HANG)
        solved.append(name)

    def check_stop() -> None:
        if begun.is_set():
            raise Interrupted

    monkeypatch.setattr(quiet_solver.optimize, "milp", solve)
    for name in ("first", "second"):
        with pytest.raises(Interrupted):
            quiet_solver.milp(name, check_stop=check_stop)
    released.set()
    quiet_solver.milp("third")
    assert solved == ["first", "third"]


def test_a_fault_of_the_solver_reaches_the_caller(monkeypatch: pytest.MonkeyPatch) -> None:
    def solve() -> None:
        raise ValueError("no such option")

    monkeypatch.setattr(quiet_solver.optimize, "milp", solve)
    with pytest.raises(ValueError, match="no such option"):
        quiet_solver.milp()
