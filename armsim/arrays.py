"""The type of all arrays of numbers, and lists of lists as tuples."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def tupled(value: Any) -> Any:
    """A list, and every list within it, as a tuple; anything else as it is."""
    return tuple(tupled(item) for item in value) if isinstance(value, list) else value
