"""One joint with its encoder, mounting and gear: the physics of a shaft placed at the joint."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from armsim.physics import assembly, gear, scale, signal
from armsim.physics.signal import NONE
from armsim.spreads import Spread
from armsim.terms import Axis, Term


@dataclass(frozen=True)
class Magnitude:
    """A size with a direction: only the absolute value of the draw counts; the phase is uniform where None. [rad]"""

    spread: Spread
    phase: float | None = None


@dataclass(frozen=True)
class Signal:
    """Imperfections of sine and cosine, over the amplitude; the phase error in rad, the noise a standard deviation."""

    offset: Spread = NONE
    amplitude_mismatch: Spread = NONE
    phase_error: Spread = NONE
    noise: float = 0.0


@dataclass(frozen=True)
class Summary:
    """What a data sheet tells when it tells no causes. ``resolution`` is a count of bits (rotary) or a step [m]."""

    resolution: float
    accuracy: Spread = NONE
    repeatability: Spread = NONE


@dataclass(frozen=True)
class Encoder:
    """A position sensor, SI.

    Parameters
    ----------
    name : str
    rotary : bool
    signal_periods : float
        Per turn, for a rotary scale. 0 where only the summary is known.
    signal_period : float
        Of a linear scale. [m]
    interpolation : float
        Bits within a signal period.
    track_radius : float
        [m]
    corrections : mapping of str to float
        Share removed by calibration, of ``signal`` and of ``eccentricity``.
    read_heads : int
    price : float
        Cost units.
    """

    name: str
    rotary: bool = True
    signal_periods: float = 0.0
    signal_period: float = 0.0
    interpolation: float = 0.0
    track_radius: float = 0.0
    graduation_error: Spread = NONE
    signal: Signal = Signal()
    corrections: dict[str, float] = field(default_factory=dict)
    read_heads: int = 1
    price: float = 0.0
    summary: Summary | None = None

    @property
    def order(self) -> float:
        """Signal phase per unit of position. [rad/rad or rad/m]"""
        if self.summary is not None:
            return 1.0 if self.rotary else 2 * math.pi / self.summary.resolution
        return self.signal_periods if self.rotary else 2 * math.pi / self.signal_period

    @property
    def bits(self) -> float:
        """Bits of interpolation within a signal period."""
        if self.summary is not None:
            return self.summary.resolution if self.rotary else 0.0
        return self.interpolation

    @property
    def step(self) -> float:
        """Least significant bit. [rad or m]"""
        return scale.least_significant_bit(self.order, self.bits)


@dataclass(frozen=True)
class Harmonic:
    """One order of the gear's kinematic error; ``per_input`` tells whose turn the order counts."""

    per_input: bool
    order: float
    amplitude: Magnitude


@dataclass(frozen=True)
class Transmission:
    """Gear between motor and joint: ``ratio`` input turns per output turn; errors at the output. [rad]"""

    ratio: float = 1.0
    kinematic_error: tuple[Harmonic, ...] = ()
    lost_motion: float = 0.0


@dataclass(frozen=True)
class Mounting:
    """How far the scale is off: eccentricity [m], tilt of the disc [rad]."""

    eccentricity: Magnitude = Magnitude(NONE)
    disc_tilt: Magnitude = Magnitude(NONE)


@dataclass(frozen=True)
class Joint:
    """A joint and all that decides its error.

    Parameters
    ----------
    name : str
    travel : float
        Of the joint. [rad or m]
    placement : str
        ``motor``: the sensor sits on the input of the gear; ``output``: on the joint.
    mastering : Spread
        Zero left over, at the joint. [rad or m]
    """

    name: str
    encoder: Encoder
    travel: float = 2 * math.pi
    placement: Literal["motor", "output"] = "output"
    mounting: Mounting = Mounting()
    transmission: Transmission = Transmission()
    mastering: Spread = NONE

    @property
    def ratio(self) -> float:
        """Turns of the encoder shaft per unit of the joint's motion."""
        return self.transmission.ratio if self.placement == "motor" else 1.0

    @property
    def step(self) -> float:
        """Least significant bit, at the joint. [rad or m]"""
        return self.encoder.step / abs(self.ratio)

    @property
    def resolution_bits(self) -> float:
        """Steps per turn, or over the travel of a linear axis, as a power of two, at the joint."""
        return math.log2((2 * math.pi if self.encoder.rotary else self.travel) / self.step)

    def terms(self) -> tuple[Term, ...]:
        """Every error term of the joint, attained minus commanded, on ``Axis(name)``.

        The servo makes the reading equal the command, so a reading error r at the encoder shaft moves the joint by
        -r / ratio. On the output side the gear lies inside the loop and its errors vanish from the joint.
        """
        axis = Axis(self.name)
        placed = [term.on(axis, -1.0 / self.ratio, self.ratio) for term in self._reading_terms()]
        if self.placement == "motor":
            placed += [term.on(axis) for term in self._gear_terms()]
        if self.mastering.scale:
            placed += [term.on(axis) for term in assembly.mastering(self.mastering)]
        return tuple(placed)

    def _reading_terms(self) -> tuple[Term, ...]:
        encoder, mounting = self.encoder, self.mounting
        fundamental = 1.0 if encoder.rotary else 2 * math.pi / self.travel
        terms = scale.quantisation(encoder.order, encoder.bits)
        if encoder.summary is not None:
            if encoder.summary.accuracy.scale:
                terms += scale.summary_accuracy(encoder.summary.accuracy, fundamental)
            if encoder.summary.repeatability.scale:
                terms += scale.summary_repeatability(encoder.summary.repeatability)
            return terms
        analogue = encoder.signal
        correction = encoder.corrections.get("signal", 0.0)
        terms += signal.sub_divisional_error(
            encoder.order, analogue.offset, analogue.amplitude_mismatch, analogue.phase_error, correction
        )
        if analogue.noise:
            terms += signal.noise(encoder.order, analogue.noise)
        if encoder.graduation_error.scale:
            terms += scale.graduation(encoder.graduation_error, fundamental, encoder.read_heads)
        if mounting.eccentricity.spread.scale:
            terms += assembly.eccentricity(
                mounting.eccentricity.spread,
                encoder.track_radius,
                encoder.corrections.get("eccentricity", 0.0),
                encoder.read_heads,
                mounting.eccentricity.phase,
            )
        if mounting.disc_tilt.spread.scale:
            terms += assembly.disc_tilt(mounting.disc_tilt.spread, encoder.read_heads, mounting.disc_tilt.phase)
        return terms

    def _gear_terms(self) -> tuple[Term, ...]:
        box = self.transmission
        terms: tuple[Term, ...] = ()
        for number, harmonic in enumerate(box.kinematic_error, start=1):
            turns = box.ratio if harmonic.per_input else 1.0
            amplitude = harmonic.amplitude
            terms += gear.kinematic_error(amplitude.spread, harmonic.order, turns, amplitude.phase, str(number))
        if box.lost_motion:
            terms += gear.lost_motion(box.lost_motion)
        return terms
