"""Speeds of the joints, and how a speed is computed from positions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from armsim.field_spec import key
from armsim.physics import speed_from_positions as physics


@dataclass(frozen=True)
class JointSpeed:
    """The speed of one joint."""

    speed: float = key(..., "position speed", "steady speed of the joint", least=0.0, above=True)


@dataclass(frozen=True)
class Motion:
    """Speeds of the joints, and computation of a speed from positions.

    Parameters
    ----------
    speeds : mapping of joint to speed [rad/s or m/s]
    """

    sample_time: float = key(
        ..., "time", "time between two positions from which a speed is taken", least=0.0, above=True
    )
    velocity_filter: float = key(
        0.0, "time", "time constant of the first-order filter of the speed; none where not given", least=0.0
    )
    ripple_limit: float = key(
        0.01, "ratio", "largest share of ripple and noise in a speed that counts as smooth",
        least=0.0, above=True, most=1.0,
    )  # fmt: skip
    speeds: Mapping[str, float] = field(default_factory=dict)

    @property
    def pole(self) -> float:
        """Pole of the velocity filter."""
        return physics.filter_pole(self.sample_time, self.velocity_filter)
