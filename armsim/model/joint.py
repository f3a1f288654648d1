"""One joint with its encoder, mounting and gear: the physics of a shaft placed at the joint."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.terms import Axis, Term
from armsim.model.encoder import Encoder
from armsim.physics import assembly, gear, linear, scale, signal, timing

Placement = Literal["motor", "output", "both"]


@dataclass(frozen=True)
class Magnitude:
    """A size with a direction: only the absolute value of the draw counts; the phase is uniform where None. [rad]"""

    spread: Distribution
    phase: float | None = None


ABSENT = Magnitude(NONE)


@dataclass(frozen=True)
class Harmonic:
    """One order of the gear's kinematic error; ``per_input`` tells whose turn the order counts."""

    per_input: bool
    order: float
    amplitude: Magnitude


@dataclass(frozen=True)
class Transmission:
    """Gear between motor and joint.

    Parameters
    ----------
    ratio : float
        Input turns per output turn.
    kinematic_error : tuple of Harmonic
        At the output. [rad or m]
    lost_motion : float
        At the output, from side to side. [rad or m]
    stiffness : float
        At the output; infinite where not given. [N m/rad or N/m]
    stiffness_tolerance : Distribution
        Relative. [1]
    compensation : float
        Share of the wind-up that the controller removes. [1]
    """

    ratio: float = 1.0
    kinematic_error: tuple[Harmonic, ...] = ()
    lost_motion: float = 0.0
    stiffness: float = math.inf
    stiffness_tolerance: Distribution = NONE
    compensation: float = 0.0


@dataclass(frozen=True)
class Mounting:
    """How far scale and head are off.

    Parameters
    ----------
    eccentricity, ellipticity : Magnitude
        Of the scale on its shaft. [m]
    disc_tilt, coupling_angle : Magnitude
        Of the disc, of the two shafts of a coupling. [rad]
    head_tangential, head_radial : Distribution
        Of the head. [m]
    head_tilt : Distribution
        Of the head. [rad]
    air_gap : Distribution
        Of the head, off its nominal distance from the scale. [m]
    abbe_offset : float
        From a linear scale to the line of the tool. [m]
    guide_pitch : Distribution
        Of the carriage. [rad]
    """

    eccentricity: Magnitude = ABSENT
    ellipticity: Magnitude = ABSENT
    disc_tilt: Magnitude = ABSENT
    coupling_angle: Magnitude = ABSENT
    head_tangential: Distribution = NONE
    head_radial: Distribution = NONE
    head_tilt: Distribution = NONE
    air_gap: Distribution = NONE
    abbe_offset: float = 0.0
    guide_pitch: Distribution = NONE


@dataclass(frozen=True)
class Bus:
    """How positions are taken: cycle [s], on its own instant or not, skew between joints [s]."""

    cycle: float = 0.0
    synchronous: bool = True
    skew: Distribution = NONE


@dataclass(frozen=True)
class Fitting:
    """Price of fitting a sensor to a joint, beside its own: for assembling it, for its placement. [cost units]"""

    mounting: float = 0.0
    placement: float = 0.0


@dataclass(frozen=True)
class Joint:
    """A joint and all that decides its error.

    Parameters
    ----------
    name : str
    encoder : Encoder
        That which closes the position loop.
    travel : float
        Of the joint. [rad or m]
    farthest : float
        Largest distance of its range from zero. [rad or m]
    placement : str
        ``motor``: the sensor sits on the input of the gear; ``output``: on the joint; ``both``: on the joint, with a
        second one on the motor, which closes the speed loop and leaves the position at rest as it is.
    mastering : Distribution, optional
        Zero left over, at the joint [rad or m]; None where the joint was not mastered.
    motor_encoder : Encoder, optional
        The second one.
    approach : str
        Direction from which the joint comes to rest.
    fitting : Fitting
        What it costs.
    """

    name: str
    encoder: Encoder
    travel: float = 2 * math.pi
    farthest: float = 2 * math.pi
    placement: Placement = "output"
    mounting: Mounting = Mounting()
    transmission: Transmission = Transmission()
    mastering: Distribution | None = None
    motor_encoder: Encoder | None = None
    approach: gear.Approach = "random"
    bus: Bus = Bus()
    fitting: Fitting = Fitting()

    @property
    def geared(self) -> bool:
        """Whether the gear lies outside the position loop."""
        return self.placement == "motor"

    @property
    def ratio(self) -> float:
        """Turns of the encoder shaft per unit of the joint's motion."""
        return self.transmission.ratio if self.geared else 1.0

    @property
    def step(self) -> float:
        """Least significant bit, at the joint. [rad or m]"""
        return self.encoder.step / abs(self.ratio)

    @property
    def resolution_bits(self) -> float:
        """Steps per turn, or over the travel of a linear axis, as a power of two, at the joint."""
        return math.log2((2 * math.pi if self.encoder.rotary else self.travel) / self.step)

    @property
    def price(self) -> float:
        """Of its sensors, fitted. [cost units]"""
        return self.encoders_price + self.fitting.mounting + self.fitting.placement

    @property
    def encoders_price(self) -> float:
        """Of its encoders alone. [cost units]"""
        return self.encoder.price + (self.motor_encoder.price if self.motor_encoder is not None else 0.0)

    @property
    def contrast_loss(self) -> float:
        """Mean of 1/contrast^2 over the units, from the placement of the head; infinite where the signal is lost."""
        mounting, encoder = self.mounting, self.encoder
        out = 1.0
        if mounting.head_radial.scale or mounting.head_tilt.scale:
            # without a radius there is no radial offset either: the documents see to it
            radius = encoder.track_radius or math.inf
            out = assembly.contrast_loss(mounting.head_radial, mounting.head_tilt, radius, encoder.window_periods)
        if mounting.air_gap.scale and encoder.light_cone and encoder.period:
            out *= assembly.gap_loss(mounting.air_gap, encoder.light_cone, encoder.period)
        return out

    def terms(self) -> tuple[Term, ...]:
        """Every error term of the joint, attained minus commanded, on ``Axis(name)``.

        The servo makes the reading equal the command, so a reading error r at the encoder shaft moves the joint by
        -r / ratio. On the output side the gear lies inside the loop and its errors vanish from the joint.
        """
        axis = Axis(self.name)
        at_encoder = self._scale_terms() + self._signal_terms() + self._mounting_terms()
        fixed_transforms = [term.on(axis, -1.0 / self.ratio, self.ratio) for term in at_encoder]
        fixed_transforms += [term.on(axis) for term in self._gear_terms() + self._timing_terms()]
        if self.mastering is not None and self.mastering.scale:
            fixed_transforms += [term.on(axis) for term in assembly.mastering(self.mastering)]
        return tuple(fixed_transforms)

    @property
    def fundamental(self) -> float:
        """Order of the longest wave on the scale: 1 for a turn, 2 pi over the travel. [rad/rad or rad/m]"""
        return 1.0 if self.encoder.rotary else 2 * math.pi / self.travel

    def _scale_terms(self) -> tuple[Term, ...]:
        encoder = self.encoder
        terms = scale.quantisation(encoder.order, encoder.bits)
        if encoder.graduation_error.scale:
            terms += scale.graduation(encoder.graduation_error, self.fundamental, encoder.read_heads)
        if encoder.slope_error.scale:
            terms += linear.slope_error(encoder.slope_error, self.farthest)
        if encoder.summary is not None and encoder.summary.accuracy.scale:
            terms += scale.summary_accuracy(encoder.summary.accuracy, self.fundamental)
        if encoder.summary is not None and encoder.summary.repeatability.scale:
            terms += scale.summary_repeatability(encoder.summary.repeatability)
        return terms

    def _signal_terms(self) -> tuple[Term, ...]:
        analogue, order, heads = self.encoder.signal, self.encoder.order, self.encoder.read_heads
        removed = self.encoder.corrected("signal")
        terms = signal.sub_divisional_error(
            order, analogue.offset, analogue.amplitude_mismatch, analogue.phase_error, removed, heads
        )
        if analogue.third_harmonic.scale:
            terms += signal.third_harmonic(order, analogue.third_harmonic, analogue.harmonic_order, removed, heads)
        if analogue.noise:
            terms += signal.noise(order, analogue.noise, analogue.averages * heads, self.contrast_loss)
        return terms

    def _mounting_terms(self) -> tuple[Term, ...]:
        encoder, mounting = self.encoder, self.mounting
        radius, heads = encoder.track_radius, encoder.read_heads
        terms: tuple[Term, ...] = ()
        if mounting.eccentricity.spread.scale:
            removed = encoder.corrected("eccentricity")
            terms += assembly.eccentricity(
                mounting.eccentricity.spread, radius, removed, heads, mounting.eccentricity.phase
            )
        if mounting.ellipticity.spread.scale:
            terms += assembly.ellipticity(mounting.ellipticity.spread, radius, heads, mounting.ellipticity.phase)
        if mounting.disc_tilt.spread.scale:
            terms += assembly.disc_tilt(mounting.disc_tilt.spread, heads, mounting.disc_tilt.phase)
        if mounting.coupling_angle.spread.scale:
            terms += assembly.coupling(mounting.coupling_angle.spread, mounting.coupling_angle.phase)
        if mounting.head_tangential.scale and self.mastering is None:
            terms += assembly.head_tangential(mounting.head_tangential, radius)
        if mounting.abbe_offset and mounting.guide_pitch.scale:
            terms += linear.abbe(mounting.abbe_offset, mounting.guide_pitch, self.fundamental)
        return terms

    def _gear_terms(self) -> tuple[Term, ...]:
        box = self.transmission
        hysteresis = self.encoder.hysteresis / abs(self.ratio)
        lost_motion = box.lost_motion if self.geared else 0.0
        terms = gear.reversal(lost_motion, hysteresis, self.approach) if lost_motion or hysteresis else ()
        if self.geared:
            for number, harmonic in enumerate(box.kinematic_error, start=1):
                turns = box.ratio if harmonic.per_input else 1.0
                amplitude = harmonic.amplitude
                terms += gear.kinematic_error(amplitude.spread, harmonic.order, turns, amplitude.phase, str(number))
            if math.isfinite(box.stiffness):
                terms += gear.wind_up(box.stiffness, box.stiffness_tolerance, box.compensation)
        return terms

    def _timing_terms(self) -> tuple[Term, ...]:
        terms: tuple[Term, ...] = ()
        delay = self.encoder.timing.latency * (1.0 - self.encoder.corrected("latency"))
        if delay:
            terms += timing.latency(delay)
        if self.encoder.timing.jitter:
            terms += timing.jitter(self.encoder.timing.jitter)
        if self.bus.skew.scale:
            terms += timing.skew(self.bus.skew)
        if self.bus.cycle and not self.bus.synchronous:
            terms += timing.free_running(self.bus.cycle)
        return terms
