"""Compilation of the kernels in separate processes, on the first run on a machine."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from armsim.core.compile import cache_folder
from armsim.processors import processors
from armsim.run_options import Note, Progress

LONGEST_KERNEL_CACHES = (
    "pose_kernel._sample_poses*.nbi",
    "sample_kernel.sample_units*.nbi",
    "damped_least_squares._solve_from*.nbi",
)
"""Cache indices of the kernels that take longest to compile."""
MOST_PROCESSES = 8
"""Most processes; more would find no job that is ready."""
POLL = 0.05
"""Time between two looks at the processes. [s]"""
TITLE = "compiling kernels, once"
COMPILE_COMMAND = "from armsim.core.precompile import main; main()"


@contextmanager
def compiled_kernels(progress: Progress, note: Note) -> Iterator[Callable[[], None]]:
    """Compile the kernels of a run in the background; call the yielded function before those of sampling are needed.

    Yields as soon as the solver of inverse kinematics is compiled. Does nothing if all are cached, or nothing can
    be cached. It is no error if a process fails: the kernels that it leaves are compiled when they are first called.

    Parameters
    ----------
    progress, note : callable

    Yields
    ------
    callable
        Waits for the end of the compilation.
    """
    folder = cache_folder()
    if folder is None or all(any(folder.rglob(pattern)) for pattern in LONGEST_KERNEL_CACHES):
        yield lambda: None
        return
    from armsim.core.precompile import JOBS, SOLVER_JOBS

    count = max(1, min(processors(), MOST_PROCESSES))
    note(f"compiling the kernels in {'one process' if count == 1 else f'{count} processes'}: once for this version")
    with tempfile.TemporaryDirectory(prefix="armsim-") as shared:
        command = [sys.executable, "-c", COMPILE_COMMAND, shared]
        pool = [subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) for _ in range(count)]
        try:
            _wait(pool, Path(shared), progress, SOLVER_JOBS)
            yield lambda: _wait(pool, Path(shared), progress, tuple(JOBS))
        finally:
            for process in pool:
                process.kill()
            for process in pool:
                process.wait()


def _wait(pool: list[subprocess.Popen[bytes]], shared: Path, progress: Progress, jobs: tuple[str, ...]) -> None:
    """Wait until some jobs are done, or a process has failed."""
    from armsim.core.precompile import JOBS, is_done

    while True:
        compiled = {name for name in JOBS if is_done(shared, name)}
        progress(TITLE, len(compiled), len(JOBS))
        if compiled.issuperset(jobs) or any(process.poll() for process in pool):
            return
        time.sleep(POLL)
