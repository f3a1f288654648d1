"""A plane of the workspace, and a box of it, cell by cell."""

from __future__ import annotations

from dataclasses import dataclass, replace

from armsim.model.arm import Arm
from armsim.results import MapOf
from armsim.tasks.base import FREELY, Advance, Holding, PoseSet, frame_matrix, quiet
from armsim.tasks.cells import Cells, Ends, centres, count

Position = tuple[float, float, float]
BASE: tuple[Position, Position] = ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
"""Position and turns of the base frame."""


@dataclass(frozen=True)
class Slice:
    """Cells of a plane.

    Parameters
    ----------
    name : str
    plane : str
        ``xy``, ``xz`` or ``yz`` of the frame; the first letter runs across the map.
    at : float
        Coordinate along the normal. [m]
    step : float
        Edge of a cell. [m]
    ends : tuple of (low, high) or None
        Along the two directions of the plane; the reach of the arm where not given. [m]
    holding : Holding
    frame : (xyz, rpy)
        In which the plane is meant. [m, rad]
    maps : tuple of str
        What is drawn over it.
    """

    name: str
    plane: str
    at: float
    step: float
    ends: tuple[Ends | None, Ends | None] = (None, None)
    holding: Holding = FREELY
    frame: tuple[Position, Position] = BASE
    maps: tuple[MapOf, ...] = ("error",)
    kind: str = "slice"

    def count(self, arm: Arm) -> float:
        """How many cells it has, without making them."""
        return count(self._ends(arm), self.step)

    def _ends(self, arm: Arm) -> list[Ends]:
        return [ends or (-arm.reach, arm.reach) for ends in self.ends]

    def find(self, arm: Arm, advance: Advance = quiet) -> PoseSet:
        along = tuple(centres(ends, self.step) for ends in self._ends(arm))
        cells = Cells(self.plane, along, self.step, self.at, frame_matrix(*self.frame))
        return replace(cells.find(arm, self.holding, advance), maps=self.maps)


@dataclass(frozen=True)
class Volume:
    """Cells of a box.

    Parameters
    ----------
    name : str
    ends : three of (low, high) [m]
        Along x, y and z of the frame.
    step : float
        Edge of a cell. [m]
    holding : Holding
    frame : (xyz, rpy)
        In which the box is meant. [m, rad]
    maps : tuple of str
        What is drawn over it.
    """

    name: str
    ends: tuple[Ends, Ends, Ends]
    step: float
    holding: Holding = FREELY
    frame: tuple[Position, Position] = BASE
    maps: tuple[MapOf, ...] = ("error",)
    kind: str = "volume"

    def count(self, arm: Arm) -> float:
        """How many cells it has, without making them."""
        return count(list(self.ends), self.step)

    def find(self, arm: Arm, advance: Advance = quiet) -> PoseSet:
        along = tuple(centres(ends, self.step) for ends in self.ends)
        cells = Cells("xyz", along, self.step, 0.0, frame_matrix(*self.frame))
        return replace(cells.find(arm, self.holding, advance), maps=self.maps)
