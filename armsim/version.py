"""Version of the package, and digest of its sources."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path


@lru_cache(maxsize=1)
def package_version() -> str:
    """Version of the package, such as 0.2.0."""
    return version("armsim")


@lru_cache(maxsize=1)
def source_digest() -> str:
    """Digest of the Python sources, which change more often than the version."""
    return digest_of(Path(__file__).parent)


def digest_of(package: Path) -> str:
    """Digest of names and contents of all Python sources below a folder: twelve hexadecimal digits."""
    digest = hashlib.blake2b(digest_size=6)
    sources = {file.relative_to(package).as_posix(): file for file in package.rglob("*.py")}
    for name in sorted(sources):
        if "__pycache__" not in name:
            digest.update(name.encode() + b"\0" + sources[name].read_bytes() + b"\0")
    return digest.hexdigest()


def code_label(number: str, digest: str) -> str:
    """Version and sources of the code that computed a result, in words."""
    return f"armsim {number} (sources {digest or 'unknown'})"
