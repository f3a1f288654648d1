"""First run after an installation: python tests/benchmarks/first_run.py [PROCESSORS ...]

Seconds until the demo is read, its kernels compiled, its poses found and sampled, with empty caches of kernels and poses; tables,
figures and documents are left out, and so are the libraries that make them. Without numbers, with two processors and all.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent


def first_run() -> None:
    """Print the seconds of the parts; the caches that the environment names are empty."""
    start = time.perf_counter()
    import armsim
    from armsim.run_options import RunOptions, no_note, no_progress
    from armsim.sampling.kernels import compiled_kernels

    study = armsim.load(ROOT / "scenarios" / "bonding-cell.yaml")
    with compiled_kernels(no_progress, no_note) as wait_for_kernels:
        poses = study.find()
        wait_for_kernels()
    compiled = time.perf_counter()
    study.evaluate(poses, RunOptions(len(os.sched_getaffinity(0))))
    end = time.perf_counter()
    print(f"kernels and poses {compiled - start:5.1f} s, sampling {end - compiled:4.1f} s, all {end - start:5.1f} s")


def main(counts: Sequence[int] = ()) -> None:
    """Print the seconds for numbers of processors, each in a process with caches of its own."""
    print("\nThe demo's first run, seconds with empty caches")
    every = sorted(os.sched_getaffinity(0))
    for count in counts or sorted({min(2, len(every)), len(every)}):
        with tempfile.TemporaryDirectory() as folder:
            environment = {**os.environ, "NUMBA_CACHE_DIR": f"{folder}/kernels", "XDG_CACHE_HOME": folder}
            code = (
                f"import os, sys; os.sched_setaffinity(0, {every[:count]}); sys.path.insert(0, {str(ROOT)!r}); "
                f"sys.path.insert(0, {str(Path(__file__).parent)!r}); import first_run; first_run.first_run()"
            )
            child = subprocess.run(
                [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
            )
            print(f"{count:3} processors: {child.stdout.strip()}", flush=True)


if __name__ == "__main__":
    main([int(text) for text in sys.argv[1:]])
