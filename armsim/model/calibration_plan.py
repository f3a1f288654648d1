"""Plan of the calibration of a built arm: measured poses, instrument, identified parameters."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from armsim.field_spec import key

Knowledge = Literal["known", "identified"]
Criterion = Literal["error", "determinant", "random"]
MOST_CANDIDATES = 5000
MOST_POSES = 1000


@dataclass(frozen=True)
class Instrument:
    """Instrument that measures the tool point, in the frame of the base.

    Parameters
    ----------
    std : (3,) [m]
        Standard deviation of a reading along x, y, z of the base.
    """

    std: tuple[float, float, float] = (0.0, 0.0, 0.0)
    std_per_distance: float = key(
        0.0, "slope", "growth of its standard deviation with the distance from it", least=0.0, most=0.1
    )
    position: tuple[float, float, float] = key(
        (0.0, 0.0, 0.0), "length", "position of the instrument in the base frame"
    )
    pose: Knowledge = key("known", "choice", "whether its pose against the base is known, or identified with the rest")
    target: Knowledge = key("known", "choice", "whether the place of its target on the tool is known, or identified")
    scale: Knowledge = key("known", "choice", "whether the scale of its lengths is right, or identified with the rest")
    angular_std: float = key(
        0.0, "angle", "standard deviation of the orientation that it reads, about every axis", least=0.0, most=0.1
    )
    target_offset: tuple[float, float, float] = key(
        (0.0, 0.0, 0.0), "length", "position of the target in the frame of the tool"
    )
    normal: tuple[float, float, float] = key(
        (0.0, 0.0, 1.0), "number", "direction in which the target faces, in the frame of the tool"
    )
    acceptance_angle: float | None = key(
        None, "angle", (
                       "largest angle between that direction and the line of sight to the instrument; any where "
                       "not given"
                       ),
        least=0.0, above=True, most=math.pi,
    )  # fmt: skip


@dataclass(frozen=True)
class MeasuredPoses:
    """Measured poses; without task and file, joint positions spread over the ranges of the joints.

    Parameters
    ----------
    file : (poses, joints), optional
        Joint positions read from a file. [rad or m]
    """

    task: str | None = key(None, "word", "task whose poses at rest are the candidates")
    candidates: int = key(
        500, "count", "joint positions to choose from, where neither a task nor a file is named", least=2,
        most=MOST_CANDIDATES, why="each is a row of a matrix that is searched",
    )  # fmt: skip
    count: int | None = key(
        None, "count", "poses to be measured; all candidates where not given", least=1, most=MOST_POSES,
        why="no arm is measured at more poses",
    )  # fmt: skip
    choice: Criterion = key(
        "error", "choice",
        "error: least error left at the poses of the tasks; determinant: least volume of the uncertainty; random",
    )  # fmt: skip
    file: tuple[tuple[float, ...], ...] | None = None


@dataclass(frozen=True)
class Identified:
    """Parameters that a calibration identifies and the controller compensates.

    Parameters
    ----------
    output_orders, input_orders : mapping of joint to orders
        Orders of the joint error, per turn of the joint (or over its travel), and per turn of the motor.
    """

    zeros: bool = key(True, "flag", "zeros of the joints")
    links: bool = key(False, "flag", "parameters of the links")
    stiffness: bool = key(False, "flag", "compliance of the joints under the load of gravity")
    output_orders: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    input_orders: Mapping[str, tuple[int, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Calibration:
    """The calibration of every built arm."""

    instrument: Instrument = key(..., "part", "what measures the tool point")
    poses: MeasuredPoses = key(MeasuredPoses(), "part", "poses at which the arm is measured")
    visits: int = key(3, "count", "readings of every pose, each after a new approach", least=1, most=1000,
                      why="more add no information")  # fmt: skip
    identify: Identified = key(Identified(), "part", "what is identified")
    prior: bool = key(False, "flag", "whether the population of the scenario counts as prior knowledge")
