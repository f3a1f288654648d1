"""A position sensor, as its data sheet tells it, in SI units."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from armsim.errormodel.distributions import NONE, Distribution
from armsim.physics import scale

TYPICAL_WINDOW = 8.0
"""Signal periods under the detectors where the data sheet does not tell. Typical, from memory."""


@dataclass(frozen=True)
class Signal:
    """Imperfections of sine and cosine, over the amplitude.

    ``phase_error`` is in rad, ``noise`` a standard deviation, ``averages`` a count of samples, ``offset_drift`` per
    kelvin; ``harmonic_order`` is the order, 2 or 4, that the third harmonic produces.
    """

    offset: Distribution = NONE
    amplitude_mismatch: Distribution = NONE
    phase_error: Distribution = NONE
    third_harmonic: Distribution = NONE
    harmonic_order: int = 4
    noise: float = 0.0
    averages: int = 1
    offset_drift: Distribution = NONE


@dataclass(frozen=True)
class Timing:
    """Age of a reading and scatter of its instant (standard deviation). [s]"""

    latency: float = 0.0
    jitter: float = 0.0


@dataclass(frozen=True)
class Summary:
    """What a data sheet tells when it tells no causes. ``resolution`` is a count of bits (rotary) or a step [m]."""

    resolution: float
    accuracy: Distribution = NONE
    repeatability: Distribution = NONE


@dataclass(frozen=True)
class Encoder:
    """A position sensor.

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
    sensing_window : float
        Length of track under the detectors [m]; 0 where not known: `TYPICAL_WINDOW` periods.
    light_cone : float
        Half angle of the cone of light that reaches a point of the detector; 0 where not known. [rad]
    graduation_error : Distribution
        [rad or m]
    hysteresis : float
        From side to side. [rad or m]
    corrections : mapping of str to float
        Share removed by calibration, of ``signal``, ``eccentricity`` and ``latency``.
    read_heads : int
    timing : Timing
    drift : Distribution
        Of the zero. [rad/K or m/K]
    expansion : float
        Of a linear scale. [1/K]
    slope_error : Distribution
        Of a linear scale. [1]
    price : float
        Cost units.
    """

    name: str
    rotary: bool = True
    signal_periods: float = 0.0
    signal_period: float = 0.0
    interpolation: float = 0.0
    track_radius: float = 0.0
    sensing_window: float = 0.0
    light_cone: float = 0.0
    graduation_error: Distribution = NONE
    signal: Signal = Signal()
    hysteresis: float = 0.0
    corrections: dict[str, float] = field(default_factory=dict)
    read_heads: int = 1
    timing: Timing = Timing()
    drift: Distribution = NONE
    expansion: float = 0.0
    slope_error: Distribution = NONE
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

    @property
    def window_periods(self) -> float:
        """Signal periods under the detectors."""
        if not self.sensing_window:
            return TYPICAL_WINDOW
        track = self.order * (1.0 / self.track_radius if self.rotary else 1.0)  # rad of phase per metre of track
        return self.sensing_window * track / (2 * math.pi)

    @property
    def period(self) -> float:
        """Length of a signal period on the scale; 0 where it is not known. [m]"""
        if not self.rotary:
            return self.signal_period
        return 2 * math.pi * self.track_radius / self.signal_periods if self.signal_periods else 0.0

    def corrected(self, what: str) -> float:
        """Share of an error that calibration removes."""
        return self.corrections.get(what, 0.0)
