"""Cached kernels."""

import ast
import importlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numba
import pytest

from armsim.core import compile as compiling
from armsim.core.kernel_digest import kernel_digest
from armsim.core.sample_kernel import sample_units
from armsim.sampling.kernels import COMPILE_COMMAND


def test_the_cache_is_named_by_sources_and_versions() -> None:
    """Two environments on one source tree, with two versions of the compiler. Source: brute force, when it failed."""
    folder = compiling.cache_folder()
    assert folder is not None
    assert kernel_digest() in folder.name
    assert numba.__version__ in folder.name
    assert folder in Path(sample_units.dispatcher.stats.cache_path).parents  # type: ignore[attr-defined]


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
        process = subprocess.run(
            [sys.executable, "-c", "from armsim.core.caller import outer; print(outer(1.0))"],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(tmp_path)},
            capture_output=True,
            text=True,
            check=True,
        )
        answers.append(float(process.stdout))
    assert answers == [2.0, 333.0]


def test_no_folder_to_cache_in_is_no_error() -> None:
    process = subprocess.run(
        [
            sys.executable,
            "-c",
            "from armsim.core.screws import all_small; import numpy as np; print(all_small(np.zeros(4096)))",
        ],
        env={**os.environ, "NUMBA_CACHE_DIR": "/proc/no-such-folder"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert process.stdout.strip() == "True"


SCRIPT = "from armsim.core.screws import all_small; import numpy as np; print(all_small(np.zeros(4096)))"


def run(cache: Path) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(cache)}
    return subprocess.run([sys.executable, "-c", SCRIPT], env=environment, capture_output=True, text=True, check=True)


@pytest.mark.parametrize(("kind", "damage"), [("*.nbi", "empty"), ("*.nbc", "cut"), ("*.nbc", "overwritten")])
def test_a_damaged_cache_is_made_anew(tmp_path: Path, kind: str, damage: str) -> None:
    """Said once, with the folder; the next start finds it whole."""
    assert run(tmp_path).stdout.strip() == "True"
    file = next(tmp_path.rglob(kind))
    content = file.read_bytes()
    file.write_bytes({"empty": b"", "cut": content[: len(content) // 2], "overwritten": b"x" * len(content)}[damage])
    process = run(tmp_path)
    assert process.stdout.strip() == "True"
    assert process.stderr.count("was damaged and is rebuilt") == 1
    assert str(tmp_path) in process.stderr
    assert run(tmp_path).stderr == ""


def test_a_full_disk_is_no_error(tmp_path: Path) -> None:
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "none", tmp_path], capture_output=True).returncode:
        pytest.skip("no file system can be mounted here")
    try:
        (tmp_path / "filler").write_bytes(bytes(1_000_000))
        process = run(tmp_path)
        assert process.stdout.strip() == "True"
        assert "is full" in process.stderr
        assert "compiled at every start" in process.stderr
    finally:
        subprocess.run(["umount", tmp_path], check=True)


def test_the_command_of_the_other_process_calls_what_there_is() -> None:
    """Its output goes nowhere, so a function that was renamed would leave the kernels uncompiled in silence."""
    tree = ast.parse(COMPILE_COMMAND)
    imported, call = tree.body
    assert isinstance(imported, ast.ImportFrom)
    assert isinstance(call, ast.Expr)
    assert isinstance(call.value, ast.Call)
    (name,) = [alias.name for alias in imported.names]
    assert ast.unparse(call.value.func) == name
    assert callable(getattr(importlib.import_module(str(imported.module)), name))
