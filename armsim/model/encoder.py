"""A position sensor according to its data sheet, in SI units, and its error terms at the shaft."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from armsim import causes
from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import SHAFT, Term
from armsim.field_spec import Measures, key
from armsim.model.encoder_parts import (
    CURVE_HAS_NO_MEAN,
    Corrections,
    Misalignment,
    SecondTrack,
    SheetSummary,
    Signal,
    Timing,
)
from armsim.model.installation import INCREMENTAL, INCREMENTAL_WITH_INDEX, SINGLE_TURN, Body, Functions
from armsim.model.measured_curve import MeasuredCurve
from armsim.model.mounting import Mounting
from armsim.physics import gear, heat, linear_scale, scale
from armsim.physics import signal as signals
from armsim.physics.heads import Heads, head_count

TYPICAL_WINDOW = 8.0
"""Signal periods under the detectors where the data sheet states none. Common practice, no source."""


class ValueOrigin(NamedTuple):
    """Origin of a number of the model: key, value, and how it follows from the data sheet.

    ``assumed`` marks what the sheet does not state.
    """

    key: str
    value: str
    origin: str
    assumed: bool = False


@dataclass(frozen=True)
class Encoder:
    """A position sensor. Lengths and angles in m and rad; unknown values of a scale are 0."""

    name: str = key(..., "word", "name of the sensor")
    measures: Measures = key("rotation", "choice", "quantity that it measures: rotation or translation", required=True)
    signal_periods: int = key(
        0, "count", "signal periods per turn", least=1, most=100_000_000, why="no scale is finer", only="rotation"
    )
    signal_period: float = key(
        0.0, "length", "signal period of a linear scale", least=0.0, above=True, only="translation"
    )
    interpolation: float = key(
        0.0, "subdivision", "bits or counts within a signal period", least=0.0, most=40.0, cause=causes.QUANTISATION,
        effect="uniform within a step", physics=scale.quantisation,
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
        NONE, "position", "long-wave error of the written scale", centred=CURVE_HAS_NO_MEAN,
        cause=causes.GRADUATION_ERROR, effect="one of the orders 1 to 4 per turn", physics=scale.graduation,
    )  # fmt: skip
    signal: Signal = key(Signal(), "part", "imperfections of sine and cosine, over the amplitude")
    sub_divisional_error: Distribution = key(
        NONE, "position",
        "error of the reading within a signal period, its heads averaged, of which the data sheet states only the size",
        centred=CURVE_HAS_NO_MEAN,
        cause=causes.SUB_DIVISIONAL_ERROR, effect="once or twice per signal period",
        physics=signals.stated_sub_divisional_error,
    )  # fmt: skip
    noise: Distribution = key(
        NONE, "position",
        "noise of the reading itself: it scatters from reading to reading, so that a speed taken from them is noisy",
        visit=True, cause=causes.STATED_NOISE,
        effect="scatter from reading to reading", physics=scale.stated_noise,
    )  # fmt: skip
    noise_bandwidth: float = key(0.0, "frequency", "bandwidth at which the noise is stated", least=0.0, above=True)
    used_bandwidth: float = key(
        0.0, "frequency", "bandwidth of the readings as used; white noise falls with its square root",
        least=0.0, above=True,
    )  # fmt: skip
    misalignment_errors: tuple[Misalignment, ...] = key(
        (), "list", "errors that the data sheet states for offsets of head or scale, in proportion to the offset",
        cause=causes.STATED_MISALIGNMENT, effect="a long wave of unknown phase",
        physics=scale.stated_misalignment,
    )  # fmt: skip
    max_speed: float = key(0.0, "position speed", "speed up to which the sensor reads", least=0.0, above=True)
    max_frequency: float = key(0.0, "frequency", "signal frequency up to which the sensor reads", least=0.0, above=True)
    hysteresis: float = key(
        0.0, "position", "difference between the readings of the two directions", least=0.0, cause=causes.HYSTERESIS,
        effect="half to either side, by the direction of approach", physics=gear.reversal,
    )  # fmt: skip
    homing: Distribution = key(
        NONE, "position", "error of the zero that a reference run takes from the index; of incremental sensors",
        cause=causes.HOMING, effect="moves the zero, anew with every reference run", physics=scale.homing,
    )  # fmt: skip
    corrections: Corrections = key(Corrections(), "part", "share of an error that calibration removes")
    timing: Timing = key(Timing(), "part", "age of a reading and scatter of its instant")
    drift: Distribution = key(
        NONE, "position drift", "drift of the zero per kelvin", cause=causes.ZERO_DRIFT,
        effect="with the temperature", physics=heat.temperature,
    )  # fmt: skip
    expansion: float = key(
        0.0, "expansion", "thermal expansion of the scale", least=-1e-3, most=1e-3, only="translation",
        cause=causes.SCALE_GROWTH, effect="in proportion to position and temperature", physics=heat.temperature,
    )  # fmt: skip
    slope_error: Distribution = key(
        NONE, "slope or ratio", "error of the scale in proportion to position", most=0.01, only="translation",
        cause=causes.SLOPE_ERROR, effect="in proportion to position", physics=linear_scale.slope_error,
    )  # fmt: skip
    read_heads: int = key(
        1, "count",
        "heads spaced evenly round the shaft, averaged: only orders that are multiples of their number remain",
        least=1, most=64, why="a shaft has no room for more heads",
    )  # fmt: skip
    read_head_angles: tuple[float, ...] = key(
        (), "angle", "angles of the heads round the shaft, in place of read_heads", only="rotation"
    )
    price: float = key(
        0.0, "number", "cost units of one piece, or by the number bought: {1: 40, 100: 31}", check=lambda x: x >= 0,
        accepted="a number of cost units, not negative",
    )  # fmt: skip
    one_off: float = key(
        0.0, "number", "cost units of the type, once, however many are bought: tooling, qualification",
        check=lambda x: x >= 0, accepted="a number of cost units, not negative",
    )  # fmt: skip
    price_steps: tuple[tuple[int, float], ...] = ()
    body: Body = Body()
    functions: Functions = Functions()
    mass: float = key(0.0, "mass", "mass of the sensor, which loads the joints before its own", least=0.0)
    absolute: SecondTrack | None = key(
        None, "part", "period track of an absolute sensor, and its error", only="rotation"
    )
    summary: SheetSummary | None = key(None, "part", "summary values of the data sheet for the whole sensor")
    batch_curve: MeasuredCurve | None = None
    value_origins: tuple[ValueOrigin, ...] = field(default=(), repr=False, compare=False)

    @property
    def rotary(self) -> bool:
        """Whether the encoder measures a rotation."""
        return self.measures == "rotation"

    @property
    def function(self) -> str:
        """Function as stated, else that of an absolute track; empty where neither is stated."""
        return self.functions.function or ("" if self.absolute is None else SINGLE_TURN)

    @property
    def needs_reference_run(self) -> bool:
        """Whether its position is known only from a reference run, as its function is incremental."""
        return self.function in (INCREMENTAL, INCREMENTAL_WITH_INDEX)

    @property
    def heads(self) -> Heads:
        """Number of evenly spread heads, or their angles round the shaft. [rad]"""
        return self.read_head_angles or self.read_heads

    @property
    def head_count(self) -> int:
        """Number of heads that are averaged."""
        return head_count(self.heads)

    @property
    def order(self) -> float:
        """Signal phase per unit of position. [rad/rad or rad/m]"""
        if self.rotary:
            return self.signal_periods or 1.0
        return 2 * math.pi / (self.signal_period or self._summary.resolution)

    @property
    def bits(self) -> float:
        """Bits of interpolation within a signal period."""
        if self.signal_periods or self.signal_period:
            return self.interpolation
        return self._summary.resolution if self.rotary else 0.0

    @property
    def step(self) -> float:
        """Least significant bit. [rad or m]"""
        return scale.least_significant_bit(self.order, self.bits)

    @property
    def _summary(self) -> SheetSummary:
        return self.summary or SheetSummary()

    @property
    def accuracy_mounting(self) -> Mounting:
        """Mounting whose errors are part of the stated accuracy."""
        return self._summary.mounted_with

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

        Returns
        -------
        tuple of Term [rad or m]
        """
        parts = self._scale_terms(fundamental) + self.signal_terms()
        noise = self._noise(contrast_loss)
        terms = scale.quantisation(self.order, self.bits) + parts + noise
        if self.homing.nonzero:
            terms += scale.homing(self.homing)
        if self.slope_error.nonzero:
            terms += linear_scale.slope_error(self.slope_error, farthest)
        accuracy = _remainder(self._summary.accuracy, _mean_square(parts))
        if accuracy.nonzero:
            terms += scale.summary_accuracy(accuracy, fundamental)
        repeatability = _remainder(self._summary.repeatability, _mean_square(self._noise(1.0)))
        if repeatability.nonzero:
            terms += scale.summary_repeatability(repeatability)
        return terms

    def stated_accuracy_parts(self, fundamental: float) -> float:
        """Root mean square of the separately stated errors that are part of the accuracy. [rad or m]"""
        return math.sqrt(_mean_square(self._scale_terms(fundamental) + self.signal_terms()))

    def accuracy_mounting_terms(self) -> tuple[Term, ...]:
        """Terms, at the shaft, of the mounting at which the accuracy is stated, which are part of it."""
        return self.accuracy_mounting.scale_terms(self, 1.0)

    def stated_repeatability_parts(self) -> float:
        """Standard deviation of the separately stated noise that is part of the repeatability. [rad or m]"""
        return math.sqrt(_mean_square(self._noise(1.0)))

    def _scale_terms(self, fundamental: float) -> tuple[Term, ...]:
        if not self.graduation_error.nonzero:
            return ()
        return scale.graduation(self.graduation_error, fundamental, self.heads)

    def signal_terms(self) -> tuple[Term, ...]:
        """Terms that repeat with the signal period, at the shaft."""
        signal, order, heads, removed = self.signal, self.order, self.head_count, self.corrections.signal
        terms = signals.sub_divisional_error(
            order, signal.offset, signal.amplitude_mismatch, signal.phase_error, removed, heads
        )
        if signal.third_harmonic.nonzero:
            terms += signals.third_harmonic(order, signal.third_harmonic, signal.third_harmonic_order, removed, heads)
        if self.sub_divisional_error.nonzero:
            terms += signals.stated_sub_divisional_error(order, self.sub_divisional_error)
        return terms

    def _noise(self, contrast_loss: float) -> tuple[Term, ...]:
        terms: tuple[Term, ...] = ()
        if self.signal.noise:
            averaged = self.signal.averages * self.head_count
            terms += signals.noise(self.order, self.signal.noise, averaged, contrast_loss)
        if self.noise.nonzero:
            share = scale.noise_share(self.noise_bandwidth, self.used_bandwidth, contrast_loss)
            terms += scale.stated_noise(self.noise, share)
        return terms


def _mean_square(terms: tuple[Term, ...]) -> float:
    """Mean square over units and positions. [rad^2 or m^2]"""
    return sum(term.mean_square(SHAFT, State.at_rest(np.zeros(1))) for term in terms)


def _remainder(total: Distribution, parts: float) -> Distribution:
    """Distribution of a stated total less parts of a given mean square. Source: JCGM 100:2008 5.1.2, variances add."""
    square = total.second_moment
    return total.scaled(math.sqrt(max(0.0, 1.0 - parts / square))) if square else total
