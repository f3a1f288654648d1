"""Parts of a data sheet: signals, corrections, timing, totals, second track, stated misalignments."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from armsim import causes
from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.terms import Term
from armsim.field_spec import key
from armsim.model.mounting import ERROR_POWERS, Mounting
from armsim.physics import scale, timing
from armsim.physics import signal as signals

CURVE_HAS_NO_MEAN = "the size of a curve of unknown shape has none"
VALID_NOISE = 0.3
"""Noise over amplitude up to which the arctangent is nearly linear in it."""
STATED_OFFSET_KEYS = ("head_radial", "head_tangential", "head_tilt", "air_gap", "disc_tilt", "eccentricity")
"""Keys of the mounting of which a data sheet may state the resulting error."""
VALID_RATIO = 0.3
"""Offset and mismatch over the amplitude up to which first order serves."""
VALID_PHASE = 0.35
"""Departure from quadrature up to which first order serves, as far as an offset of 0.3 of the amplitude. [rad]"""


@dataclass(frozen=True)
class Signal:
    """Imperfections of sine and cosine, over the amplitude."""

    offset: Distribution = key(
        NONE, "ratio", "offset of sine and cosine, drawn for each", most=VALID_RATIO, cause=causes.SIGNAL_OFFSET,
        effect="once per signal period", physics=signals.sub_divisional_error,
    )  # fmt: skip
    amplitude_mismatch: Distribution = key(
        NONE, "ratio", "amplitude of sine over that of cosine, less one", most=VALID_RATIO,
        cause=causes.AMPLITUDE_MISMATCH, effect="twice per signal period", physics=signals.sub_divisional_error,
    )  # fmt: skip
    phase_error: Distribution = key(
        NONE, "angle", "departure of sine and cosine from quadrature", most=VALID_PHASE, cause=causes.PHASE_ERROR,
        effect="twice per signal period", physics=signals.sub_divisional_error,
    )  # fmt: skip
    third_harmonic: Distribution = key(
        NONE, "ratio", "third harmonic of the signals", most=VALID_RATIO, cause=causes.THIRD_HARMONIC,
        effect="four times (or twice) per signal period", physics=signals.third_harmonic,
    )  # fmt: skip
    third_harmonic_order: Literal[2, 4] = key(4, "choice", "order per signal period that the third harmonic produces")
    noise: float = key(
        0.0, "ratio", "standard deviation of the noise of the signals", least=0.0, most=VALID_NOISE,
        cause=causes.SIGNAL_NOISE, effect="scatter from reading to reading",
        physics=signals.noise,
    )  # fmt: skip
    averages: int = key(
        1, "count", "number of samples averaged", least=1, most=1_000_000, why="beyond it the noise is negligible"
    )
    offset_drift: Distribution = key(
        NONE, "relative drift", "drift of the signal offset per kelvin, which a correction does not follow",
        centred="where in a signal period it lies is not known", cause=causes.SIGNAL_OFFSET_DRIFT,
        effect="once per signal period, with the temperature",
        physics=signals.sub_divisional_error,
    )  # fmt: skip


@dataclass(frozen=True)
class Corrections:
    """Share of an error that calibration removes."""

    signal: float = key(
        0.0, "ratio", "share removed of offset, mismatch, phase error and third harmonic", least=0.0, most=1.0
    )
    eccentricity: float = key(0.0, "ratio", "share removed of the eccentricity of the scale", least=0.0, most=1.0)
    latency: float = key(0.0, "ratio", "share removed of the latency, by prediction", least=0.0, most=1.0)


@dataclass(frozen=True)
class Timing:
    """Age of a reading and scatter of its instant."""

    latency: float = key(
        0.0, "time", "age of a reading when it is used", least=0.0, cause=causes.LATENCY, effect="speed times time",
        physics=timing.latency,
    )  # fmt: skip
    jitter: float = key(
        0.0, "time", "standard deviation of the instant of a reading", least=0.0, cause=causes.TIMING_JITTER,
        effect="speed times time", physics=timing.jitter,
    )  # fmt: skip

    def terms(self, share_removed: float) -> tuple[Term, ...]:
        """Terms at the joint; ``share_removed`` is the share of the latency that prediction removes."""
        delay = self.latency * (1.0 - share_removed)
        terms = timing.latency(delay) if delay else ()
        return terms + (timing.jitter(self.jitter) if self.jitter else ())


@dataclass(frozen=True)
class SheetSummary:
    """Totals of a data sheet: accuracy, repeatability, resolution. ``resolution`` is bits (rotary) or a step [m]."""

    resolution: float = key(
        0.0, "resolution", "steps per turn, as bits, as counts or as the angle of one; step of a linear scale",
        least=0.0, above=True, cause=causes.QUANTISATION, effect="uniform within a step",
        physics=scale.quantisation,
    )  # fmt: skip
    accuracy: Distribution = key(
        NONE, "position",
    "largest error of one sensor over its range; errors that the sheet states separately (graduation, "
    "signals) are part of it",
        centred=CURVE_HAS_NO_MEAN,
        cause=causes.STATED_ACCURACY, effect="a long wave of unknown phase", physics=scale.summary_accuracy,
    )  # fmt: skip
    repeatability: Distribution = key(
        NONE, "position",
    "scatter of one position from visit to visit, constant while the joint moves, so that it adds no noise to "
    "a speed; noise that the sheet states separately is part of it",
        visit=True, cause=causes.STATED_REPEATABILITY, effect="scatter from visit to visit",
        physics=scale.summary_repeatability,
    )  # fmt: skip
    mounted_with: Mounting = key(
        Mounting(), "part",
        "mounting at which the accuracy is stated, so that it is not counted twice: " + ", ".join(ERROR_POWERS),
        silent=True,
    )  # fmt: skip


@dataclass(frozen=True)
class SecondTrack:
    """Track by which an absolute sensor identifies the signal period; an operating limit, no error."""

    radius: float = key(..., "length", "radius at which the track is read", least=0.0, above=True)
    periods: int = key(
        0, "count", (
                    "signal periods per turn of the track, fewer than those of the fine track; 0 where it holds a "
                    "code"
                    ), least=0,
        most=100_000_000, why="no scale is finer",
    )  # fmt: skip
    error: Distribution = key(
        NONE, "ratio", (
                       "error of the track against the fine one, as a share of its own period; of the fine one "
                       "for a code"
                       ),
        most=0.5,
    )  # fmt: skip


@dataclass(frozen=True)
class Misalignment:
    """Error that a data sheet states for an offset of head or scale."""

    offset_key: str = key(
        ..., "choice", "key of the mounting that states the offset", alias="of", choices=STATED_OFFSET_KEYS
    )
    offset: float = key(..., "offset", "offset at which the error is stated", alias="at", least=0.0, above=True)
    error: float = key(..., "position", "error that is added at that offset", least=0.0)
