"""One joint with encoder, mounting and gear: errors at the shaft transferred to the joint."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Literal

from armsim import causes
from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.terms import Axis, Term
from armsim.field_spec import key
from armsim.model.bearing import Bearing
from armsim.model.bending import Bending
from armsim.model.encoder import Encoder
from armsim.model.installation import Needs
from armsim.model.measured_curve import MeasuredCurve
from armsim.model.mounting import Mounting
from armsim.model.transmission import Transmission
from armsim.physics import assembly, gear, heat, timing

Placement = Literal["motor", "output", "both"]
ACCEPTED_COST = "a number of cost units, zero or more"


def _price_key(meaning: str) -> float:
    price: float = key(0.0, "number", meaning, check=lambda x: 0 <= x <= 1e9, accepted=ACCEPTED_COST)
    return price


@dataclass(frozen=True)
class Bus:
    """Sampling of the joint positions: at the synchronisation instant of the bus, or free-running in the encoder."""

    cycle: float = key(
        0.0, "time", "time between two readings on the bus", least=0.0, cause=causes.BUS_CYCLE,
        effect="speed times age, uniform over the cycle, where not synchronous",
        physics=timing.free_running_sampling,
    )  # fmt: skip
    synchronous: bool = key(True, "flag", "whether positions are taken at the bus's own instant")
    skew: Distribution = key(
        NONE, "time", "sampling instant of the joint relative to that of the machine", cause=causes.SAMPLING_SKEW,
        effect="speed times time", physics=timing.skew,
    )  # fmt: skip

    def terms(self) -> tuple[Term, ...]:
        """Terms at the joint."""
        terms = timing.skew(self.skew) if self.skew.nonzero else ()
        return terms + (timing.free_running_sampling(self.cycle) if self.cycle and not self.synchronous else ())


@dataclass(frozen=True)
class FittingPrice:
    """Price of fitting a sensor to a joint, in addition to that of the sensor. [cost units]"""

    mounting: float = _price_key("price of the mounting")
    placement: float = _price_key("price of the placement")
    one_off: float = _price_key("share of this joint in the one-off costs of its encoder types")
    encoder: float | None = key(
        None, "number", "price of the encoder where it depends on the quantity, in place of its own",
        check=lambda x: 0 <= x <= 1e9, accepted=ACCEPTED_COST,
    )  # fmt: skip
    motor_encoder: float | None = key(
        None, "number", "price of the encoder on the motor where it depends on the quantity, in place of its own",
        check=lambda x: 0 <= x <= 1e9, accepted=ACCEPTED_COST,
    )  # fmt: skip


@dataclass(frozen=True)
class Joint:
    """Joint with encoder, mounting, gear, and all other properties that determine its error.

    Parameters
    ----------
    name : str
    encoder : Encoder
        Encoder that closes the position loop.
    travel : float
        Length of the range. [rad or m]
    farthest : float
        Largest magnitude of the joint position within its range. [rad or m]
    motor_encoder : Encoder, optional
        Second encoder, on the motor, with placement both.
    measured_curve : MeasuredCurve, optional
        Error curve measured on the sensor of this joint; it takes precedence over a curve of the encoder's batch.
    needs : Needs
        Size, function and environment that the sensor must satisfy; they do not affect the error.
    """

    name: str
    encoder: Encoder
    travel: float = 2 * math.pi
    farthest: float = 2 * math.pi
    placement: Placement = key(
        "output", "choice",
        "motor: on the input of the gear; output: on the joint; both: on the joint, with a second one on the motor, "
        "which closes the speed loop and leaves the position at rest as it is", required=True,
    )  # fmt: skip
    mounting: Mounting = key(Mounting(), "part", "mounting errors of scale and head", of_sensor=True)
    transmission: Transmission = key(Transmission(), "part", "the gear between motor and joint")
    bearing: Bearing = key(Bearing(), "part", "error motions of the axis of the joint, or of the guide of a slide")
    bending: Bending = key(Bending(), "part", "compliance of the joint and its link under gravity")
    mastering: Distribution | None = key(
        None, "position", "zero error that remains after mastering; a joint without it was not mastered",
        cause=causes.MASTERING, effect="moves the zero", physics=assembly.mastering,
    )  # fmt: skip
    temperature_rise: Distribution | None = key(
        None, "temperature", "temperature of the joint, its sensor and its link, above that of the environment",
        one_sided="a rise", cause=causes.JOINT_TEMPERATURE, effect="growth and drifts of this joint, in proportion",
        physics=heat.joint_temperature,
    )  # fmt: skip
    motor_encoder: Encoder | None = None
    measured_curve: MeasuredCurve | None = None
    needs: Needs = Needs()
    counts_turns: bool = key(
        False,
        "flag",
        ("whether the sensor on the joint determines which turn the sensor on the motor is in (placement both)"),
    )
    approach: gear.Approach = key(
        "random", "choice", "direction from which the joint comes to rest", choices=("random", "positive", "negative")
    )
    bus: Bus = Bus()
    fitting: FittingPrice = key(
        FittingPrice(), "part", "prices of fitting the sensor, in addition to its own", alias="price"
    )

    @property
    def sensor_on_motor(self) -> bool:
        """Whether the position sensor is on the motor, so that the gear lies outside the position loop."""
        return self.placement == "motor"

    @property
    def ratio(self) -> float:
        """Turns of the encoder shaft per unit of the joint's motion."""
        return self.transmission.motor_angle_per_motion if self.sensor_on_motor else 1.0

    @property
    def rotary(self) -> bool:
        """Whether the joint turns; a slide may have a rotary sensor on the motor of its screw, rack or belt."""
        return self.encoder.rotary and not (self.sensor_on_motor and self.transmission.moves_slide)

    @property
    def step(self) -> float:
        """Least significant bit, at the joint. [rad or m]"""
        return self.encoder.step / abs(self.ratio)

    @property
    def resolution_bits(self) -> float:
        """Steps per turn, or over the travel of a linear axis, as a power of two, at the joint."""
        return math.log2((2 * math.pi if self.rotary else self.travel) / self.step)

    @property
    def price(self) -> float:
        """Price of the joint's sensors, fitted. [cost units]"""
        return self.encoders_price + self.fitting.mounting + self.fitting.placement + self.fitting.one_off

    @property
    def encoders_price(self) -> float:
        """Price of the joint's encoders alone. [cost units]"""
        price = self.encoder.price if self.fitting.encoder is None else self.fitting.encoder
        return price + self.motor_encoder_price

    @property
    def motor_encoder_price(self) -> float:
        """Price of the second encoder; 0 without one. [cost units]"""
        if self.motor_encoder is None:
            return 0.0
        return self.motor_encoder.price if self.fitting.motor_encoder is None else self.fitting.motor_encoder

    @property
    def sensor_mass(self) -> float:
        """Mass of the joint's sensors. [kg]"""
        return self.encoder.mass + (self.motor_encoder.mass if self.motor_encoder is not None else 0.0)

    @property
    def contrast_loss(self) -> float:
        """Mean of 1/contrast^2 over the units, from the placement of the head; infinite where the signal is lost."""
        return self.mounting.contrast_loss(self.encoder)

    def __getstate__(self) -> dict[str, object]:
        """Fields only: cached values are not sent to other processes."""
        return {field.name: getattr(self, field.name) for field in fields(self)}

    def terms(self) -> tuple[Term, ...]:
        """Every error term of the joint, attained minus commanded; error motions and bending keep their own axes.

        The servo makes the reading equal the command, so a reading error r at the encoder shaft moves the joint by
        -r / ratio. On the output side the gear lies inside the loop and its errors vanish from the joint. Terms are
        assembled once: a change of a machine leaves most of its joints as they are.
        """
        return self._terms

    @cached_property
    def _terms(self) -> tuple[Term, ...]:
        axis, encoder = Axis(self.name), self.encoder
        joint_terms = self.transmission.terms(
            self.sensor_on_motor, encoder.hysteresis / abs(self.ratio), self.approach, self.farthest
        )
        joint_terms += encoder.timing.terms(encoder.corrections.latency) + self.bus.terms()
        if self.mastering is not None and self.mastering.nonzero:
            joint_terms += assembly.mastering(self.mastering)
        if self.bearing != Bearing():
            joint_terms += self.bearing.terms(self.rotary, self.travel)
        joint_terms += self.bending.terms()
        return (*self.sensor_terms(), *(term.transfer_to(axis) for term in joint_terms))

    @property
    def compliance(self) -> dict[Axis, float]:
        """Compliance by axis: of the gear if it is outside the loop, of the joint and its link. [rad/(N m) or m/N]"""
        gear_stiffness = self.transmission.stiffness if self.sensor_on_motor else math.inf
        gears = {Axis(self.name): 1.0 / gear_stiffness} if math.isfinite(gear_stiffness) else {}
        return {**gears, **self.bending.compliances(self.name)}

    @property
    def speed_sensor(self) -> tuple[Encoder, float]:
        """The sensor that closes the speed loop, and the turns of its shaft per unit of the joint's motion."""
        if self.motor_encoder is not None:
            return self.motor_encoder, self.transmission.motor_angle_per_motion
        return self.encoder, self.ratio

    def speed_terms(self) -> tuple[Term, ...]:
        """Terms of the sensor that closes the speed loop, at the joint.

        Its mounting is included only if this is the position sensor too: that of a second encoder cannot be stated.
        """
        if self.motor_encoder is None:
            return self.sensor_terms()
        sensor, ratio = self.speed_sensor
        terms = sensor.terms(self._fundamental_of(sensor), self.farthest, 1.0)
        return tuple(term.transfer_to(Axis(f"{self.name} motor"), -1.0 / ratio, ratio) for term in terms)

    def sensor_terms(self) -> tuple[Term, ...]:
        """Terms of the sensor that closes the position loop, and of its mounting, at the joint."""
        return tuple(term.transfer_to(Axis(self.name), -1.0 / self.ratio, self.ratio) for term in self.shaft_terms())

    def shaft_terms(self) -> tuple[Term, ...]:
        """Terms of the position sensor and its mounting at the shaft, reading minus true position.

        A measured curve replaces the terms of the causes that it contains.
        """
        terms = self.encoder.terms(self.fundamental, self.farthest, self.contrast_loss)
        terms += self.mounting.terms(self.encoder, self.fundamental, self.mastering is not None)
        measured = self.measured_curve or self.encoder.batch_curve
        return terms if measured is None else measured.replace_causes(terms)

    @property
    def fundamental(self) -> float:
        """Order of the longest wave on the scale: 1 for a turn, 2 pi over the travel. [rad/rad or rad/m]"""
        return self._fundamental_of(self.encoder)

    def _fundamental_of(self, sensor: Encoder) -> float:
        return 1.0 if sensor.rotary else 2 * math.pi / self.travel
