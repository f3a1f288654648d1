"""Order statistics without storing the sample: every value is counted in a bin, and counts of several samples add up.

There are two scales of bins. `logarithmic_bin` is for lengths and angles, which are not negative: the width of a bin is
in proportion to the value, given by the leading bits of the number itself, from 2^-60 to 1024, so that the range need
not be known beforehand. `linear_bin` is for coordinates: bins of equal width about a centre.
"""

from __future__ import annotations

import numpy as np

from armsim.core.compile import subroutine

MANTISSA_BITS = 11
"""Leading bits of the fraction that distinguish bins: a bin is 2^-12 to 2^-11 of its value wide."""
LOWEST, HIGHEST = -60, 10
"""Powers of two at the ends; values beyond are counted in the end bins."""
LOGARITHMIC_BINS = (HIGHEST - LOWEST) << MANTISSA_BITS
LINEAR_BINS = 4096
_SHIFT = np.int64(52 - MANTISSA_BITS)
_FIRST = np.int64((LOWEST + 1023) << MANTISSA_BITS)


@subroutine
def logarithmic_bin(value: float) -> int:
    """Bin of a value on the logarithmic scale; the value is not nan."""
    bits = np.float64(value).view(np.int64)
    return min(max((bits >> _SHIFT) - _FIRST, np.int64(0)), np.int64(LOGARITHMIC_BINS - 1))  # type: ignore[return-value]


@subroutine
def logarithmic_edge(number: int) -> float:
    """Lower edge of a bin of the logarithmic scale; that of the lowest bin is 0."""
    return np.int64((number + _FIRST) << _SHIFT).view(np.float64) if number > 0 else 0.0


@subroutine
def linear_bin(value: float, scale: tuple[float, float]) -> int:
    """Bin of a value on the linear scale, counted from its lower end in bins per unit; the value is not nan."""
    return np.int64(min(max((value - scale[0]) * scale[1], 0.0), LINEAR_BINS - 1.0))  # type: ignore[return-value]


@subroutine
def linear_edge(number: int, scale: tuple[float, float]) -> float:
    """Lower edge of a bin of the linear scale, ``scale`` as of `linear_bin`."""
    return scale[0] + number / scale[1]
