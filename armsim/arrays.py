"""Type of all arrays of numbers, and conversion of nested lists to tuples."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def tupled(value: Any) -> Any:
    """Convert a list and all nested lists to tuples; return anything else unchanged."""
    return tuple(tupled(item) for item in value) if isinstance(value, list) else value
