"""Known shapes of errors over the state of a joint."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from armsim.arrays import Array


@dataclass(frozen=True)
class State:
    """State of one joint at every pose.

    Parameters
    ----------
    position : (poses,) [rad or m]
    speed : (poses,) [rad/s or m/s]
    load : (poses,) [N m or N]
        Gravity load of the joint, positive in the direction of its motion.
    direction : (poses,)
        Direction of the last motion of the joint, +1 or -1; 0 where not known.
    payload : (poses, 4), optional [N m or N, per kg; per m]
        Change of the load by the mass of the payload, and by its centre along x, y, z of the tool.
    joint_position : (poses,), optional [rad or m]
        Of the drive of a coupled joint, the position of the joint itself.
    """

    position: Array
    speed: Array
    load: Array
    direction: Array
    payload: Array | None = None
    joint_position: Array | None = None

    @property
    def travel(self) -> Array:
        """Position of the joint itself, not of its drive, shape (poses,). [rad or m]"""
        return self.position if self.joint_position is None else self.joint_position

    @property
    def payload_mass(self) -> Array:
        """Change of the load per kilogram of payload, shape (poses,)."""
        return self._payload(0)

    @property
    def payload_x(self) -> Array:
        """Change of the load per metre of the centre of the payload along x of the tool, shape (poses,)."""
        return self._payload(1)

    @property
    def payload_y(self) -> Array:
        """Change of the load per metre of the centre of the payload along y of the tool, shape (poses,)."""
        return self._payload(2)

    @property
    def payload_z(self) -> Array:
        """Change of the load per metre of the centre of the payload along z of the tool, shape (poses,)."""
        return self._payload(3)

    def _payload(self, number: int) -> Array:
        """Column of the payload changes; zeros where none are known."""
        return np.zeros_like(self.load) if self.payload is None else np.asarray(self.payload[:, number])

    @property
    def undirected(self) -> Array:
        """1 where the direction is not known, else 0, shape (poses,)."""
        return np.where(self.direction == 0, 1.0, 0.0)

    @staticmethod
    def at_rest(position: ArrayLike) -> State:
        """State at standstill, without load."""
        positions = np.asarray(position, dtype=float)
        return State(positions, np.zeros_like(positions), np.zeros_like(positions), np.zeros_like(positions))


@dataclass(frozen=True)
class Constant:
    """Shape: the same at every state."""

    gain: float = 1.0

    def value(self, state: State) -> Array:
        """Values of the shape at states, shape (poses,)."""
        return np.full(state.position.shape, self.gain)

    def scaled(self, factor: float) -> Constant:
        """The shape times a factor."""
        return Constant(self.gain * factor)

    def geared(self, ratio: float) -> Constant:
        """The shape at an axis ``ratio`` times as slow, such as the joint behind a gear."""
        return self

    def __str__(self) -> str:
        return "constant"


@dataclass(frozen=True)
class Wave:
    """Shape: sine or cosine of ``order`` times the position.

    ``order`` counts periods per turn of a revolute axis and is 2 pi over the period of a prismatic one [1/m].
    """

    function: Literal["sin", "cos"]
    order: float
    gain: float = 1.0

    def value(self, state: State) -> Array:
        """Values of the shape at states, shape (poses,)."""
        wave = np.sin if self.function == "sin" else np.cos
        return np.asarray(self.gain * wave(self.order * state.position), dtype=float)

    def scaled(self, factor: float) -> Wave:
        """The shape times a factor."""
        return replace(self, gain=self.gain * factor)

    def geared(self, ratio: float) -> Wave:
        """The shape at an axis ``ratio`` times as slow, such as the joint behind a gear."""
        return replace(self, order=self.order * ratio)

    def __str__(self) -> str:
        return f"order {self.order:g}"


@dataclass(frozen=True)
class Proportional:
    """Shape: in proportion to the position, the speed, the load or the direction of the joint.

    ``position`` is that of the drive, ``travel`` that of the joint itself; ``origin`` is where the error is zero.
    """

    quantity: Literal[
        "position", "travel", "speed", "load", "direction", "undirected",
        "payload_mass", "payload_x", "payload_y", "payload_z",
    ]  # fmt: skip
    gain: float = 1.0
    origin: float = 0.0

    def value(self, state: State) -> Array:
        """Values of the shape at states, shape (poses,)."""
        return np.asarray(self.gain * (getattr(state, self.quantity) - self.origin), dtype=float)

    def scaled(self, factor: float) -> Proportional:
        """The shape times a factor."""
        return replace(self, gain=self.gain * factor)

    def geared(self, ratio: float) -> Proportional:
        """The shape at an axis ``ratio`` times as slow, such as the joint behind a gear."""
        return self.scaled(ratio) if self.quantity in ("position", "speed") else self

    def __str__(self) -> str:
        return "position" if self.quantity == "travel" else self.quantity.replace("_", " ")


Shape = Constant | Wave | Proportional
"""``value(state)``, shape (poses,); ``scaled(factor)``; ``geared(ratio)``: the same on the output side, where the
position is the shaft's over the ratio."""


def multiple_of(shape: Shape, unit: Shape) -> float | None:
    """Factor between two shapes; None where one is no multiple of the other."""
    if type(shape) is not type(unit):
        return None
    if isinstance(shape, Wave) and isinstance(unit, Wave):
        same_order = math.isclose(abs(shape.order), abs(unit.order), rel_tol=1e-9)
        if not same_order or shape.function != unit.function:
            return None
        sign = -1.0 if shape.function == "sin" and shape.order * unit.order < 0 else 1.0
        return sign * shape.gain / unit.gain
    if isinstance(shape, Proportional):
        return shape.gain / unit.gain if replace(shape, gain=unit.gain) == unit else None
    return shape.gain / unit.gain


def mean_product(a: Shape, b: Shape, state: State) -> float:
    """Mean of the product of two shapes.

    Over all positions in closed form where both are constants and waves (sines of different order are orthogonal),
    else over the given states.
    """
    if isinstance(a, Constant) and isinstance(b, Constant):
        return a.gain * b.gain
    if isinstance(a, Proportional) or isinstance(b, Proportional):
        return float(np.mean(a.value(state) * b.value(state)))
    if isinstance(a, Wave) and isinstance(b, Wave) and (a.function, a.order) == (b.function, b.order):
        return 0.5 * a.gain * b.gain
    return 0.0
