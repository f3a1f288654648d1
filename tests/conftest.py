"""Helpers on the path; compiled kernels made anew where one of them has changed."""

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

# a cached kernel holds the kernels it calls: the compiler looks at its own file only
CORE = HERE.parent / "armsim" / "core"
CACHED = [*CORE.glob("__pycache__/*.nbi"), *CORE.glob("__pycache__/*.nbc")]
if CACHED and max(f.stat().st_mtime for f in CORE.glob("*.py")) > min(f.stat().st_mtime for f in CACHED):
    for file in CACHED:
        file.unlink(missing_ok=True)
