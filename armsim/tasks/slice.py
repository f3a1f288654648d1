"""A plane of the workspace, and a box of it, cell by cell."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from armsim.arrays import Array
from armsim.field_spec import key
from armsim.model.arm import Arm
from armsim.model.envelope import Envelope
from armsim.results import MapOf
from armsim.tasks.base import BASE, Advance, Fault, Frame, Holding, PoseSet, Task, frame_matrix, holding, named, quiet
from armsim.tasks.cells import AXES, MOST_CELLS, Cells, Ends, centres, count

FREE = "the reach of the arm where not given"


def _ends(default: Any, meaning: str) -> Any:
    return key(default, "length", meaning)


def _maps() -> tuple[MapOf, ...]:
    kept: tuple[MapOf, ...] = key(("error",), "choice", "what is drawn over the cells", least=1)
    return kept


def _step() -> float:
    kept: float = key(..., "length", "edge of a cell", least=0.0, above=True)
    return kept


def _fault(ends: Mapping[str, Ends | None], step: float, cells: Callable[[], float]) -> Fault | None:
    """Ends upside down or without a cell between them, and too many cells."""
    for letter, own in ends.items():
        if own is not None and own[0] > own[1]:
            return Fault(letter, f"'{letter}' upside down", "[lower end, upper end]")
        if own is not None and not len(centres(own, step)):
            return Fault(
                letter, f"no whole step of {step:g} m within '{letter}'", "ends that hold a multiple of the step"
            )
    if cells() > MOST_CELLS:
        found = f"{step * 1e3:g} mm make {cells():.3g} cells"
        return Fault("step", found, f"at most {MOST_CELLS} cells: a wider step, or ends x:, y:, z:")
    return None


@dataclass(frozen=True)
class Slice(Task):
    """Cells of a plane."""

    kind = "slice"
    name: str = named()
    plane: Literal["xy", "xz", "yz"] = key(..., "choice", "of the frame; the first letter runs across the map")
    at: float = key(..., "length", "coordinate along the normal")
    step: float = _step()
    x: Ends | None = _ends(None, f"ends along x, {FREE}")
    y: Ends | None = _ends(None, f"ends along y, {FREE}")
    z: Ends | None = _ends(None, f"ends along z, {FREE}")
    holding: Holding = holding()
    frame: Frame = key(BASE, "part", "in which the plane is meant")
    maps: tuple[MapOf, ...] = _maps()

    def count(self, arm: Arm) -> float:
        """How many cells it has, without making them."""
        return count(self._ends(arm), self.step)

    def fault(self, arm: Arm) -> Fault | None:
        every = {letter: getattr(self, letter) for letter in "xyz"}
        for letter, own in every.items():
            if own is not None and letter not in self.plane:
                return Fault(letter, f"'{letter}' on the plane {self.plane}", " and ".join(self.plane))
        return _fault(every, self.step, lambda: self.count(arm))

    def _ends(self, arm: Arm) -> list[Ends]:
        """Ends of the two directions: as given, else as far as the arm reaches in this plane, to whole cells."""
        frame = frame_matrix(self.frame.xyz, self.frame.rpy)
        normal = next(letter for letter in AXES if letter not in self.plane)
        distance = self.at + float(frame[:3, AXES[normal]] @ frame[:3, 3])
        return [getattr(self, letter) or self._reach(arm, frame, AXES[letter], distance) for letter in self.plane]

    def _reach(self, arm: Arm, frame: Array, axis: int, distance: float) -> Ends:
        low, high = Envelope.of(arm).ends(frame[:3, axis], distance)
        beginning = float(frame[:3, axis] @ frame[:3, 3])
        return (
            math.floor((low - beginning) / self.step) * self.step,
            math.ceil((high - beginning) / self.step) * self.step,
        )

    def find(self, arm: Arm, advance: Advance = quiet) -> PoseSet:
        along = tuple(centres(ends, self.step) for ends in self._ends(arm))
        cells = Cells(self.plane, along, self.step, self.at, frame_matrix(self.frame.xyz, self.frame.rpy))
        return replace(cells.find(arm, self.holding, advance), maps=self.maps)


@dataclass(frozen=True)
class Volume(Task):
    """Cells of a box."""

    kind = "volume"
    name: str = named()
    x: Ends = _ends(..., "ends along x")
    y: Ends = _ends(..., "ends along y")
    z: Ends = _ends(..., "ends along z")
    step: float = _step()
    holding: Holding = holding()
    frame: Frame = key(BASE, "part", "in which the box is meant")
    maps: tuple[MapOf, ...] = _maps()

    def count(self, arm: Arm) -> float:
        """How many cells it has, without making them."""
        return count([self.x, self.y, self.z], self.step)

    def fault(self, arm: Arm) -> Fault | None:
        return _fault({"x": self.x, "y": self.y, "z": self.z}, self.step, lambda: self.count(arm))

    def find(self, arm: Arm, advance: Advance = quiet) -> PoseSet:
        along = tuple(centres(ends, self.step) for ends in (self.x, self.y, self.z))
        cells = Cells("xyz", along, self.step, 0.0, frame_matrix(self.frame.xyz, self.frame.rpy))
        return replace(cells.find(arm, self.holding, advance), maps=self.maps)
