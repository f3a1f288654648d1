"""What stands for all kernels, without the compiler that they need."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path

LANES = 128
"""Units worked on together. Fixed, and counted from unit 0, so that the bits do not depend on how work is shared."""


@lru_cache(maxsize=1)
def kernel_digest() -> str:
    """Twelve hexadecimal digits that stand for the sources of all kernels."""
    digest = hashlib.blake2b(digest_size=6)
    for file in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()
