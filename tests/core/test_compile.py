"""Cached kernels."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numba

from armsim.core import compile as compiling
from armsim.core.population import sample_units


def test_a_cached_kernel_is_stamped_with_all_kernel_sources() -> None:
    assert sample_units._cache._cache_file._source_stamp == compiling.STAMP  # type: ignore[attr-defined]
    assert "screws.py" in {name for name, _, _ in compiling.STAMP}


def test_versions_of_the_compiler_do_not_share_files() -> None:
    """Two environments on one source tree, with two versions of the compiler. Source: brute force, when it failed."""
    file = sample_units._cache._cache_file  # type: ignore[attr-defined]
    assert numba.__version__ in file._index_name
    assert file._index_path.endswith(file._index_name)
    assert numba.__version__ in file._data_name_pattern.format(number=1)


def test_a_change_in_a_called_kernel_reaches_its_cached_caller(tmp_path: Path) -> None:
    """Source: brute force: a copy of the package, run, changed in one kernel, run again."""
    package = tmp_path / "armsim"
    shutil.copytree(Path(compiling.__file__).parent, package / "core", ignore=shutil.ignore_patterns("__pycache__"))
    (package / "__init__.py").touch()
    (package / "core" / "caller.py").write_text(
        "from armsim.core.compile import compiled\nfrom armsim.core.callee import inner\n\n\n"
        "@compiled\ndef outer(x):\n    return inner(x)\n"
    )
    answers = []
    for factor in (2, 333):
        (package / "core" / "callee.py").write_text(
            f"from armsim.core.compile import compiled\n\n\n@compiled\ndef inner(x):\n    return x * {factor}.0\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", "from armsim.core.caller import outer; print(outer(1.0))"],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(tmp_path)},
            capture_output=True,
            text=True,
            check=True,
        )
        answers.append(float(done.stdout))
    assert answers == [2.0, 333.0]


def test_no_folder_to_cache_in_is_no_error() -> None:
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "from armsim.core.screws import all_small; import numpy as np; print(all_small(np.zeros(4)))",
        ],
        env={**os.environ, "NUMBA_CACHE_DIR": "/proc/no-such-folder"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "True"
