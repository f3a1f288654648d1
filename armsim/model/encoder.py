"""A position sensor, as its data sheet tells it, in SI units, and the error terms at its shaft."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from armsim.declared import Measures, key
from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.terms import Term
from armsim.physics import gear, heat, linear, scale, timing
from armsim.physics import signal as signals

TYPICAL_WINDOW = 8.0
"""Signal periods under the detectors where the data sheet does not tell. Typical, from memory."""
VALID_NOISE = 0.3
"""Noise over amplitude up to which the arctangent is nearly linear in it."""
VALID_RATIO = 0.3
"""Offset and mismatch over the amplitude up to which first order serves."""
VALID_PHASE = 0.35
"""Departure from quadrature up to which first order serves, as far as an offset of 0.3 of the amplitude. [rad]"""


@dataclass(frozen=True)
class Signal:
    """Imperfections of sine and cosine, over the amplitude."""

    offset: Distribution = key(
        NONE, "ratio", "offset of sine and cosine, drawn for each", most=VALID_RATIO, cause="signal offset",
        effect="once per signal period", life="unit", physics=signals.sub_divisional_error,
    )  # fmt: skip
    amplitude_mismatch: Distribution = key(
        NONE, "ratio", "amplitude of sine over that of cosine, less one", most=VALID_RATIO, cause="amplitude mismatch",
        effect="twice per signal period", life="unit", physics=signals.sub_divisional_error,
    )  # fmt: skip
    phase_error: Distribution = key(
        NONE, "angle", "departure of sine and cosine from quadrature", most=VALID_PHASE, cause="phase error",
        effect="twice per signal period", life="unit", physics=signals.sub_divisional_error,
    )  # fmt: skip
    third_harmonic: Distribution = key(
        NONE, "ratio", "third harmonic of the signals", most=VALID_RATIO, cause="third harmonic",
        effect="four times (or twice) per signal period", life="unit", physics=signals.third_harmonic,
    )  # fmt: skip
    third_harmonic_order: Literal[2, 4] = key(4, "choice", "order per signal period that the third harmonic produces")
    noise: float = key(
        0.0, "ratio", "standard deviation of the noise of the signals", least=0.0, most=VALID_NOISE,
        cause="signal noise", effect="scatter from reading to reading", life="visit",
        physics=signals.noise,
    )  # fmt: skip
    averages: int = key(
        1, "count", "samples averaged", least=1, most=1_000_000, why="beyond it nothing is left of the noise"
    )
    offset_drift: Distribution = key(
        NONE, "relative drift", "offset of the signals that comes back per kelvin", cause="signal offset drift",
        through="temperature", effect="once per signal period, with the temperature", life="unit",
        physics=signals.sub_divisional_error,
    )  # fmt: skip


@dataclass(frozen=True)
class Corrections:
    """Share of an error that calibration removes."""

    signal: float = key(0.0, "ratio", "of offset, mismatch, phase error and third harmonic", least=0.0, most=1.0)
    eccentricity: float = key(0.0, "ratio", "of the eccentricity of the scale", least=0.0, most=1.0)
    latency: float = key(0.0, "ratio", "of the latency, by prediction", least=0.0, most=1.0)


@dataclass(frozen=True)
class Timing:
    """Age of a reading and scatter of its instant."""

    latency: float = key(
        0.0, "time", "age of a reading", least=0.0, cause="latency", effect="speed times time", life="unit",
        physics=timing.latency,
    )  # fmt: skip
    jitter: float = key(
        0.0, "time", "standard deviation of the instant of a reading", least=0.0, cause="timing jitter",
        effect="speed times time", life="visit", physics=timing.jitter,
    )  # fmt: skip

    def terms(self, corrected: float) -> tuple[Term, ...]:
        """Terms at the joint; ``corrected`` is the share of the latency that prediction removes."""
        delay = self.latency * (1.0 - corrected)
        terms = timing.latency(delay) if delay else ()
        return terms + (timing.jitter(self.jitter) if self.jitter else ())


@dataclass(frozen=True)
class SheetSummary:
    """What a data sheet tells when it tells no causes. ``resolution`` is a count of bits (rotary) or a step [m]."""

    resolution: float = key(
        ..., "resolution", "steps per turn, as bits or as the angle of one; step of a linear scale",
        cause="quantisation", effect="uniform within a step", life="visit", physics=scale.quantisation,
    )  # fmt: skip
    accuracy: Distribution = key(
        NONE, "position", "largest error of one sensor over its range", cause="stated accuracy",
        effect="a long wave of unknown phase", life="unit", physics=scale.summary_accuracy,
    )  # fmt: skip
    repeatability: Distribution = key(
        NONE, "position", "scatter of one position from visit to visit", visit=True, cause="stated repeatability",
        effect="scatter from visit to visit", life="visit", physics=scale.summary_repeatability,
    )  # fmt: skip


@dataclass(frozen=True)
class Encoder:
    """A position sensor. Lengths and angles in m and rad; what is not known of a scale is 0."""

    name: str = key(..., "word", "of the sensor")
    measures: Measures = key("rotation", "choice", "what it measures", required=True)
    signal_periods: int = key(
        0, "count", "signal periods per turn", least=1, most=100_000_000, why="no scale is finer", only="rotation"
    )
    signal_period: float = key(
        0.0, "length", "signal period of a linear scale", least=0.0, above=True, only="translation"
    )
    interpolation: float = key(
        0.0, "bits", "bits within a signal period", least=0.0, most=40.0, cause="quantisation",
        effect="uniform within a step", life="visit", physics=scale.quantisation,
    )  # fmt: skip
    track_radius: float = key(
        0.0, "length", "radius at which the track is read", least=0.0, above=True, only="rotation"
    )
    sensing_window: float = key(
        0.0, "length", "length of track under the detectors; 8 signal periods where not given", least=0.0, above=True
    )
    light_cone: float = key(
        0.0,
        "angle",
        "half angle of the cone of light that reaches a point of the detector",
        least=0.0,
        above=True,
        most=1.0,
    )  # fmt: skip
    graduation_error: Distribution = key(
        NONE, "position", "long-wave error of the written scale", cause="graduation error",
        effect="one of the orders 1 to 4 per turn", life="unit", physics=scale.graduation,
    )  # fmt: skip
    signal: Signal = key(Signal(), "part", "imperfections of sine and cosine, over the amplitude")
    hysteresis: float = key(
        0.0, "position", "from side to side", least=0.0, cause="hysteresis",
        effect="half to either side, by the direction of approach", life="visit", physics=gear.reversal,
    )  # fmt: skip
    corrections: Corrections = key(Corrections(), "part", "share of an error that calibration removes")
    timing: Timing = key(Timing(), "part", "age of a reading and scatter of its instant")
    drift: Distribution = key(
        NONE, "position drift", "drift of the zero", cause="drift of the zero", through="temperature",
        effect="with the temperature", life="unit", physics=heat.temperature,
    )  # fmt: skip
    expansion: float = key(
        0.0, "expansion", "expansion of the scale", least=-1e-3, most=1e-3, only="translation",
        cause="growth of the scale", through="temperature", effect="in proportion to position and temperature",
        life="unit", physics=heat.temperature,
    )  # fmt: skip
    slope_error: Distribution = key(
        NONE, "slope or ratio", "error of the scale in proportion to position", most=0.01, only="translation",
        cause="slope error", effect="in proportion to position", life="unit", physics=linear.slope_error,
    )  # fmt: skip
    read_heads: int = key(
        1, "count",
        "heads spread evenly round the shaft, averaged: only orders that are multiples of their number are left",
        least=1, most=64, why="no more heads stand round a shaft",
    )  # fmt: skip
    price: float = key(
        0.0, "number", "cost units", check=lambda x: x >= 0, accepted="a number of cost units, not negative"
    )
    summary: SheetSummary | None = key(None, "part", "what a data sheet tells when it tells no causes")

    @property
    def rotary(self) -> bool:
        """Whether it measures a rotation."""
        return self.measures == "rotation"

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

    def terms(self, fundamental: float, farthest: float, contrast_loss: float) -> tuple[Term, ...]:
        """Terms of the scale and its signals at the shaft: the reading minus the truth.

        Parameters
        ----------
        fundamental : float
            Order of the longest wave on the scale. [rad/rad or rad/m]
        farthest : float
            Largest distance of the range from zero. [rad or m]
        contrast_loss : float
            Mean of 1/contrast^2 over the units, from the placement of the head.
        """
        return self._scale_terms(fundamental, farthest) + self._signal_terms(contrast_loss)

    def _scale_terms(self, fundamental: float, farthest: float) -> tuple[Term, ...]:
        terms = scale.quantisation(self.order, self.bits)
        if self.graduation_error.scale:
            terms += scale.graduation(self.graduation_error, fundamental, self.read_heads)
        if self.slope_error.scale:
            terms += linear.slope_error(self.slope_error, farthest)
        if self.summary is not None and self.summary.accuracy.scale:
            terms += scale.summary_accuracy(self.summary.accuracy, fundamental)
        if self.summary is not None and self.summary.repeatability.scale:
            terms += scale.summary_repeatability(self.summary.repeatability)
        return terms

    def _signal_terms(self, contrast_loss: float) -> tuple[Term, ...]:
        own, order, heads, removed = self.signal, self.order, self.read_heads, self.corrections.signal
        terms = signals.sub_divisional_error(order, own.offset, own.amplitude_mismatch, own.phase_error, removed, heads)
        if own.third_harmonic.scale:
            terms += signals.third_harmonic(order, own.third_harmonic, own.third_harmonic_order, removed, heads)
        if own.noise:
            terms += signals.noise(order, own.noise, own.averages * heads, contrast_loss)
        return terms
