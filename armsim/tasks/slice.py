"""Slices and volumes of the workspace, divided into cells."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from armsim.arrays import Array
from armsim.field_spec import key
from armsim.model.arm import Arm
from armsim.model.envelope import Envelope
from armsim.results import MapQuantity
from armsim.tasks.base import (
    REFERENCE,
    Fault,
    Frame,
    PointProgress,
    PoseConstraints,
    PoseSet,
    Task,
    constraints_field,
    frame_matrix,
    name_field,
    no_progress,
)
from armsim.tasks.cells import AXES, MOST_CELLS, Cells, Ends, cell_centres, cell_count

DEFAULT_ENDS = "the reach of the arm where not given"


def _ends_field(default: Any, meaning: str) -> Any:
    return key(default, "length", meaning)


def _maps_field() -> tuple[MapQuantity, ...]:
    field: tuple[MapQuantity, ...] = key(("error",), "choice", "quantities drawn as maps over the cells", least=1)
    return field


def _step_field() -> float:
    field: float = key(..., "length", "edge of a cell", least=0.0, above=True)
    return field


def _fault(ends: Mapping[str, Ends | None], step: float, cells: Callable[[], float]) -> Fault | None:
    """Ends in the wrong order or without a cell between them, or too many cells; None where valid."""
    for letter, interval in ends.items():
        if interval is not None and interval[0] > interval[1]:
            return Fault(letter, f"'{letter}' with the lower end not below the upper end", "[lower end, upper end]")
        if interval is not None and not len(cell_centres(interval, step)):
            return Fault(
                letter, f"no whole step of {step:g} m within '{letter}'", "ends that hold a multiple of the step"
            )
    if cells() > MOST_CELLS:
        size = f"{step * 1e3:g} mm make {cells():.3g} cells"
        return Fault("step", size, f"at most {MOST_CELLS} cells: a wider step, or ends x:, y:, z:")
    return None


@dataclass(frozen=True)
class Slice(Task):
    """Cells of a plane of the workspace."""

    kind = "slice"
    name: str = name_field()
    plane: Literal["xy", "xz", "yz"] = key(
        ..., "choice", "plane of the cells; the first letter is the horizontal axis of the map"
    )
    at: float = key(..., "length", "position of the plane along its normal")
    step: float = _step_field()
    x: Ends | None = _ends_field(None, f"ends along x, {DEFAULT_ENDS}")
    y: Ends | None = _ends_field(None, f"ends along y, {DEFAULT_ENDS}")
    z: Ends | None = _ends_field(None, f"ends along z, {DEFAULT_ENDS}")
    constraints: PoseConstraints = constraints_field()
    frame: Frame = key(REFERENCE, "part", "frame of the plane; the base where not given")
    maps: tuple[MapQuantity, ...] = _maps_field()

    def count(self, arm: Arm) -> float:
        """Approximate number of cells, computed without creating them."""
        return cell_count(self._ends(arm), self.step)

    def fault(self, arm: Arm) -> Fault | None:
        intervals = {letter: getattr(self, letter) for letter in "xyz"}
        for letter, interval in intervals.items():
            if interval is not None and letter not in self.plane:
                return Fault(letter, f"'{letter}' on the plane {self.plane}", " and ".join(self.plane))
        return _fault(intervals, self.step, lambda: self.count(arm))

    def _ends(self, arm: Arm) -> list[Ends]:
        """Ends of the two directions [m]: as stated, else the reach of the arm in this plane, to whole cells."""
        frame = frame_matrix(self.frame.xyz, self.frame.rpy)
        normal = next(letter for letter in AXES if letter not in self.plane)
        distance = self.at + float(frame[:3, AXES[normal]] @ frame[:3, 3])
        return [getattr(self, letter) or self._reach(arm, frame, AXES[letter], distance) for letter in self.plane]

    def _reach(self, arm: Arm, frame: Array, axis: int, distance: float) -> Ends:
        low, high = Envelope.from_arm(arm).extent(frame[:3, axis], distance)
        origin = float(frame[:3, axis] @ frame[:3, 3])
        return (
            math.floor((low - origin) / self.step) * self.step,
            math.ceil((high - origin) / self.step) * self.step,
        )

    def find(self, arm: Arm, progress: PointProgress = no_progress) -> PoseSet:
        along = tuple(cell_centres(ends, self.step) for ends in self._ends(arm))
        cells = Cells(self.plane, along, self.step, self.at, frame_matrix(self.frame.xyz, self.frame.rpy))
        return replace(cells.find(arm, self.constraints, progress), maps=self.maps)


@dataclass(frozen=True)
class Volume(Task):
    """Cells of a box of the workspace."""

    kind = "volume"
    name: str = name_field()
    x: Ends = _ends_field(..., "ends along x")
    y: Ends = _ends_field(..., "ends along y")
    z: Ends = _ends_field(..., "ends along z")
    step: float = _step_field()
    constraints: PoseConstraints = constraints_field()
    frame: Frame = key(REFERENCE, "part", "frame of the box; the base where not given")
    maps: tuple[MapQuantity, ...] = _maps_field()

    def count(self, arm: Arm) -> float:
        """Approximate number of cells, computed without creating them."""
        return cell_count([self.x, self.y, self.z], self.step)

    def fault(self, arm: Arm) -> Fault | None:
        return _fault({"x": self.x, "y": self.y, "z": self.z}, self.step, lambda: self.count(arm))

    def find(self, arm: Arm, progress: PointProgress = no_progress) -> PoseSet:
        along = tuple(cell_centres(ends, self.step) for ends in (self.x, self.y, self.z))
        cells = Cells("xyz", along, self.step, 0.0, frame_matrix(self.frame.xyz, self.frame.rpy))
        return replace(cells.find(arm, self.constraints, progress), maps=self.maps)
