"""Figures of a built arm at a pose: accuracy and repeatability."""

from __future__ import annotations

from enum import IntEnum


class Figure(IntEnum):
    """A figure of a built arm; its value is the index under which kernels store it."""

    ACCURACY = 0
    REPEATABILITY = 1
    ORIENTATION_ACCURACY = 2
    ORIENTATION_REPEATABILITY = 3

    @property
    def column(self) -> str:
        """Name of its columns in the table of poses: quantiles over the arms."""
        return self.name.lower()

    @property
    def describes_scatter(self) -> bool:
        """Whether it describes the scatter between the visits of an arm, not their common error."""
        return self in (Figure.REPEATABILITY, Figure.ORIENTATION_REPEATABILITY)
