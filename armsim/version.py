"""The version of the package, from its metadata."""

from __future__ import annotations

from functools import lru_cache
from importlib.metadata import version


@lru_cache(maxsize=1)
def own_version() -> str:
    """Such as 0.1.0."""
    return version("armsim")
