"""What this package is: its version, and a digest of its sources."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path


@lru_cache(maxsize=1)
def own_version() -> str:
    """Such as 0.1.0."""
    return version("armsim")


@lru_cache(maxsize=1)
def source_digest() -> str:
    """Digest of the Python sources of this package, which change more often than its version."""
    return digest_of(Path(__file__).parent)


def digest_of(package: Path) -> str:
    """Twelve hexadecimal digits that stand for names and content of all Python sources below a folder."""
    digest = hashlib.blake2b(digest_size=6)
    sources = {file.relative_to(package).as_posix(): file for file in package.rglob("*.py")}
    for name in sorted(sources):
        if "__pycache__" not in name:
            digest.update(name.encode() + b"\0" + sources[name].read_bytes() + b"\0")
    return digest.hexdigest()


def made_by(number: str, digest: str) -> str:
    """Which code made a result, in words."""
    return f"armsim {number} (sources {digest or 'unknown'})"
