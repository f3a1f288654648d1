"""Scene that a reader of the HTML page turns by hand: the arm, error ellipsoids, coloured faces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from armsim.arrays import Array

DIGITS = 5
"""Significant digits of coordinates."""
ELEVATION, AZIMUTH = 24.0, -60.0
"""Direction from which a scene is seen at first. [deg]"""


@dataclass(frozen=True, eq=False)
class SceneEllipsoid:
    """Error ellipsoid of a pose.

    Parameters
    ----------
    centre : (3,) [mm]
    semi_axes : (3, 3) [mm]
        One vector per row, as long as it is drawn.
    text : str
    worst : bool
        Whether it is that of the worst pose.
    """

    centre: Array
    semi_axes: Array
    text: str
    worst: bool


@dataclass(frozen=True, eq=False)
class SceneFace:
    """Coloured face of a cell.

    Parameters
    ----------
    corners : (4, 3) [mm]
    colour : str
    text : str
    """

    corners: Array
    colour: str
    text: str


@dataclass(frozen=True, eq=False)
class TurningScene:
    """What is shown, in a frame whose third axis points up.

    Parameters
    ----------
    arm : (points, 3) [mm]
        Axes of the joints and the tool point, the base first.
    ellipsoids : sequence of SceneEllipsoid
    faces : sequence of SceneFace
    lines : sequence of (points, 3) [mm]
        Lines on which the requirement is just met.
    azimuth : float [deg]
    is_addition : bool
        Whether the still figure says more than the scene and stays above it.
    """

    arm: Array
    ellipsoids: Sequence[SceneEllipsoid] = ()
    faces: Sequence[SceneFace] = ()
    lines: Sequence[Array] = ()
    azimuth: float = AZIMUTH
    is_addition: bool = False

    def record(self) -> dict[str, Any]:
        """The scene as it is written into the page."""
        points = [self.arm, *(face.corners for face in self.faces)]
        points += [item.centre + sign * item.semi_axes for item in self.ellipsoids for sign in (-1.0, 1.0)]
        everything = np.concatenate(points)
        return {
            "arm": _plain(self.arm),
            "ellipsoids": [
                {"at": _plain(item.centre), "axes": _plain(item.semi_axes), "text": item.text, "worst": item.worst}
                for item in self.ellipsoids
            ],
            "faces": [
                {"corners": _plain(face.corners), "colour": face.colour, "text": face.text} for face in self.faces
            ],
            "lines": [_plain(line) for line in self.lines],
            "low": _plain(everything.min(axis=0)),
            "high": _plain(everything.max(axis=0)),
            "azimuth": self.azimuth,
            "elevation": ELEVATION,
            "is_addition": self.is_addition,
        }


def _plain(values: Array) -> Any:
    """Nested lists of rounded numbers."""
    return [_plain(row) for row in values] if values.ndim > 1 else [float(f"{value:.{DIGITS}g}") for value in values]
