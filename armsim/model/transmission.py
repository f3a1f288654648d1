"""The gear between motor and joint, and its error terms at the joint."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from armsim import causes
from armsim.errormodel.distributions import NONE, Distribution, Magnitude
from armsim.errormodel.terms import Term
from armsim.field_spec import key
from armsim.physics import gear, heat

VALID_STIFFNESS = 0.3
"""Largest tolerance of a stiffness: the square neglected in first order is below 9 % of the twist."""


@dataclass(frozen=True)
class Harmonic:
    """One order of the kinematic error of a gear."""

    per: Literal["input-turn", "output-turn"] = key(..., "choice", "shaft whose turn the order counts")
    order: float = key(
        ..., "number", "periods per turn of that shaft", check=lambda x: x > 0, accepted="a number above zero"
    )
    amplitude: Magnitude = key(..., "position", "amplitude of the wave at the output")


@dataclass(frozen=True)
class Transmission:
    """Gear between motor and joint, with a screw, rack or belt where the joint slides; errors are at its output.

    ``typical_keys`` names the fields whose values are typical of the gear ``type``, since the scenario states none.
    """

    ratio: float = key(
        1.0, "number", "input turns per output turn", check=lambda x: abs(x) >= 1e-6,
        accepted="a number, not zero nor below a millionth",
    )  # fmt: skip
    kinematic_error: tuple[Harmonic, ...] = key(
        (), "list", "orders of the transmission error; of a screw, rack or belt per turn of the screw or pinion",
        cause=causes.GEAR_KINEMATIC_ERROR, effect="any orders per turn of input or output",
        physics=gear.kinematic_error,
    )  # fmt: skip
    lost_motion: float = key(
        0.0, "position", "difference between the positions of the two directions of approach", least=0.0,
        cause=causes.LOST_MOTION,
        effect="half to either side, by the direction of approach", physics=gear.reversal,
    )  # fmt: skip
    stiffness: float = key(
        math.inf, "position stiffness", "torsional stiffness, loaded by the masses of the arm", least=0.0, above=True,
        cause=causes.WIND_UP, effect="load of gravity over stiffness", physics=gear.wind_up,
    )  # fmt: skip
    stiffness_tolerance: Distribution = key(
        NONE, "ratio", "relative tolerance of the stiffness", most=VALID_STIFFNESS, cause=causes.STIFFNESS_TOLERANCE,
        effect="share of the wind-up", physics=gear.wind_up,
    )  # fmt: skip
    compensation: float = key(0.0, "ratio", "share of the wind-up that the controller removes", least=0.0, most=1.0)
    lead: float = key(
        0.0, "length", "travel of a slide per turn of its screw", least=0.0, above=True, only="translation"
    )
    pinion_radius: float = key(
        0.0, "length", "pitch radius of the pinion of a rack, or of the pulley of a belt, that moves a slide",
        least=0.0, above=True, only="translation",
    )  # fmt: skip
    lead_error: Distribution = key(
        NONE, "slope or ratio", "error of the lead of a screw, or of the pitch of a rack or belt, in proportion to the "
        "position", most=0.01, only="translation", cause=causes.LEAD_ERROR, effect="in proportion to position",
        physics=gear.lead_error,
    )  # fmt: skip
    expansion: float = key(
        0.0, "expansion", "expansion of the screw, rack or belt", least=-1e-3, most=1e-3, only="translation",
        cause=causes.SCREW_GROWTH, effect="in proportion to temperature and distance from the fixed bearing",
        physics=heat.temperature,
    )  # fmt: skip
    fixed_bearing: float = key(
        0.0, "length", "position of the slide at which the screw does not move as it grows", only="translation"
    )
    type: str = ""
    typical_keys: tuple[str, ...] = ()

    @property
    def moves_slide(self) -> bool:
        """Whether it turns the rotation of a motor into the travel of a slide."""
        return bool(self.lead or self.pinion_radius)

    @property
    def screw_angle_per_motion(self) -> float:
        """Angle of the output shaft of the gear per motion of the joint: 1, or that of a screw or pinion. [rad/m]"""
        if self.lead:
            return 2 * math.pi / self.lead
        return 1.0 / self.pinion_radius if self.pinion_radius else 1.0

    @property
    def motor_angle_per_motion(self) -> float:
        """Angle of the motor per motion of the joint. [rad/rad or rad/m]"""
        return self.ratio * self.screw_angle_per_motion

    def with_tolerances(self, factor: float) -> Transmission:
        """The transmission with its errors and its stiffness tolerance multiplied by a factor.

        Parameters
        ----------
        factor : float
            Positive; for the tolerance of the stiffness only as far as the first order holds (`VALID_STIFFNESS`).

        Returns
        -------
        Transmission
        """
        spread, harmonics = self.stiffness_tolerance, self.kinematic_error
        stiffness_factor = min(factor, VALID_STIFFNESS / spread.limit) if spread.limit else 1.0
        amplitudes = [
            replace(harmonic.amplitude, spread=harmonic.amplitude.spread.scaled(factor)) for harmonic in harmonics
        ]
        return replace(
            self,
            kinematic_error=tuple(
                replace(harmonic, amplitude=a) for harmonic, a in zip(harmonics, amplitudes, strict=True)
            ),
            lost_motion=self.lost_motion * factor,
            lead_error=self.lead_error.scaled(factor),
            stiffness_tolerance=spread.scaled(stiffness_factor),
        )

    def terms(
        self, sensor_on_motor: bool, hysteresis: float, approach: gear.Approach, farthest: float = math.nan
    ) -> tuple[Term, ...]:
        """Terms at the joint, attained minus commanded.

        Parameters
        ----------
        sensor_on_motor : bool
            Whether the position sensor is on the motor; if it is on the joint, gear errors vanish from the joint.
        hysteresis : float
            Hysteresis of the sensor, at the joint, which depends on the same direction of approach. [rad or m]
        approach : str
        farthest : float
            Largest distance of the joint from zero, for limits. [rad or m]

        Returns
        -------
        tuple of Term [rad or m]
        """
        lost_motion = self.lost_motion if sensor_on_motor else 0.0
        terms = gear.reversal(lost_motion, hysteresis, approach)
        if sensor_on_motor:
            for number, harmonic in enumerate(self.kinematic_error, start=1):
                turns = self.motor_angle_per_motion if harmonic.per == "input-turn" else self.screw_angle_per_motion
                terms += gear.kinematic_error(
                    harmonic.amplitude.spread, harmonic.order, turns, harmonic.amplitude.phase, str(number)
                )
            if self.lead_error.nonzero:
                terms += gear.lead_error(self.lead_error, farthest)
            if math.isfinite(self.stiffness):
                terms += gear.wind_up(self.stiffness, self.stiffness_tolerance, self.compensation)
        return terms
