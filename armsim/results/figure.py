"""The figures that every built arm has at a pose."""

from __future__ import annotations

from enum import IntEnum


class Figure(IntEnum):
    """A figure of a built arm, its value the number under which kernels keep it."""

    ACCURACY = 0
    REPEATABILITY = 1
    ORIENTATION_ACCURACY = 2
    ORIENTATION_REPEATABILITY = 3

    @property
    def column(self) -> str:
        """Its columns in the table of poses: quantiles over the arms."""
        return self.name.lower()

    @property
    def of_visits(self) -> bool:
        """Whether it is the scatter of the visits of an arm, and not what all of them have in common."""
        return self in (Figure.REPEATABILITY, Figure.ORIENTATION_REPEATABILITY)
