"""Digest of the kernel sources, importable without the compiler."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path

LANES = 128
"""Units per block. Fixed, and counted from unit 0, so that the bits do not depend on how work is shared."""


@lru_cache(maxsize=1)
def kernel_digest() -> str:
    """Digest of the sources of all kernels, twelve hexadecimal digits."""
    digest = hashlib.blake2b(digest_size=6)
    for file in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()
