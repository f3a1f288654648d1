"""What an installation weighs: every package that `pip install armsim` brings, largest first, and what each extra adds.

python tests/benchmarks/weights.py, in an environment where all extras are installed.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from functools import cache
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement

PROJECT = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]
SMALL = 1.0
"""Packages below it count together. [MB]"""


@cache
def size(name: str) -> float:
    """Size of the files of an installed package, compiled ones left out. [MB]"""
    files = distribution(name).files or []
    paths = (Path(str(file.locate())) for file in files if file.suffix != ".pyc")
    return sum(path.stat().st_size for path in paths if path.is_file()) / 1e6


def needed(requirements: Iterable[str]) -> set[str]:
    """Names of the packages that requirements bring, and what those need."""
    names: set[str] = set()
    waiting = [Requirement(text) for text in requirements]
    while waiting:
        requirement = waiting.pop()
        name = re.sub(r"[-_.]+", "-", requirement.name).lower()
        if name in names or (requirement.marker is not None and not requirement.marker.evaluate({"extra": ""})):
            continue
        try:
            further = distribution(name).requires or []
        except PackageNotFoundError:
            continue  # not installed here: of another platform
        names.add(name)
        waiting += map(Requirement, further)
    return names


if __name__ == "__main__":
    base = needed(PROJECT["dependencies"])
    print(f"| all {len(base)} packages | {sum(map(size, base)):.0f} MB |")
    for name in sorted(base, key=size, reverse=True):
        if size(name) >= SMALL:
            print(f"| {name} | {size(name):.1f} MB |")
    print(
        f"| {sum(size(name) < SMALL for name in base)} others | {sum(size(n) for n in base if size(n) < SMALL):.1f} MB |"
    )
    for extra, requirements in PROJECT["optional-dependencies"].items():
        if extra not in ("tests", "lint"):
            added = needed(requirements) - base
            text = f"{sum(map(size, added)):.0f} MB" if added else "not installed here"
            print(f"| extra `{extra}`: {len(added)} more | {text} |")
