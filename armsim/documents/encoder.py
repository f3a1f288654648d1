"""The encoder document."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import model_validator

from armsim.documents import units
from armsim.documents.fields import (
    Document,
    Measured,
    Tolerance,
    Word,
    count,
    measured,
    number,
    quantity,
    tolerance,
    wrong,
)
from armsim.errormodel.distributions import NONE
from armsim.errors import InputError
from armsim.model.encoder import Encoder, Signal, Summary, Timing
from armsim.sources import KeyPath, Source

VALID_NOISE = 0.3
"""Noise over amplitude up to which the arctangent is nearly linear in it."""
VALID_PHASE = 0.35
"""Departure from quadrature up to which first order serves, as far as an offset of 0.3 of the amplitude. [rad]"""
Ratio = Annotated[Tolerance | None, tolerance("ratio", most=0.3)]
Share = Annotated[float, quantity("ratio", least=0.0, most=1.0)]
Duration = Annotated[float, quantity("time", least=0.0)]
BESIDE_SUMMARY = ("kind", "name", "measures", "price", "summary", "timing", "drift", "expansion", "hysteresis")
"""Keys that may stand beside a summary: what a summary does not cover."""
OF_THE_SHAFT = ("graduation_error", "accuracy", "repeatability", "drift")
"""Keys whose kind follows what the encoder measures."""
Position = Annotated[Tolerance | None, tolerance("angle", "length")]


class SignalDocument(Document):
    """Imperfections of the analogue signals, over their amplitude."""

    offset: Ratio = None
    amplitude_mismatch: Ratio = None
    phase_error: Annotated[Tolerance | None, tolerance("angle", most=VALID_PHASE)] = None
    third_harmonic: Ratio = None
    third_harmonic_order: Literal[2, 4] = 4
    noise: Annotated[float, quantity("ratio", least=0.0, most=VALID_NOISE)] = 0.0
    averages: Annotated[int, count(1, 1_000_000, "beyond it nothing is left of the noise")] = 1
    offset_drift: Annotated[Tolerance | None, tolerance("relative drift")] = None


class CorrectionsDocument(Document):
    """Share of an error that calibration removes."""

    signal: Share = 0.0
    eccentricity: Share = 0.0
    latency: Share = 0.0


class TimingDocument(Document):
    """Age of a reading, and standard deviation of its instant."""

    latency: Duration = 0.0
    jitter: Duration = 0.0


class SummaryDocument(Document):
    """A data sheet that tells no causes."""

    resolution: Annotated[Measured, measured("bits", "angle", "length")]
    accuracy: Position = None
    repeatability: Annotated[Tolerance | None, tolerance("angle", "length", visit=True)] = None


class EncoderDocument(Document):
    """A position sensor."""

    kind: Literal["encoder"]
    name: Word
    measures: Literal["rotation", "translation"]
    signal_periods: Annotated[int | None, count(1, 100_000_000, "no scale is finer")] = None
    signal_period: Annotated[float | None, quantity("length", least=0.0, above=True)] = None
    interpolation: Annotated[float | None, quantity("bits", least=0.0, most=40.0)] = None
    track_radius: Annotated[float | None, quantity("length", least=0.0, above=True)] = None
    sensing_window: Annotated[float | None, quantity("length", least=0.0, above=True)] = None
    light_cone: Annotated[float | None, quantity("angle", least=0.0, above=True, most=1.0)] = None
    graduation_error: Position = None
    signal: SignalDocument = SignalDocument()
    hysteresis: Annotated[Measured | None, measured("angle", "length", least=0.0)] = None
    corrections: CorrectionsDocument = CorrectionsDocument()
    timing: TimingDocument = TimingDocument()
    drift: Annotated[Tolerance | None, tolerance("angular drift", "linear drift")] = None
    expansion: Annotated[float, quantity("expansion", least=-1e-3, most=1e-3)] = 0.0
    slope_error: Annotated[Tolerance | None, tolerance("slope", "ratio", most=0.01)] = None
    read_heads: Annotated[int, count(1, 64, "no more heads stand round a shaft")] = 1
    price: Annotated[float, number(lambda x: x >= 0, "a number of cost units, not negative")] = 0.0
    summary: SummaryDocument | None = None

    @model_validator(mode="after")
    def _whole(self) -> EncoderDocument:
        scale = ("signal_periods", "signal_period", "interpolation")
        given = [key for key in self.model_fields_set if key not in BESIDE_SUMMARY]
        if self.summary is not None:
            if given:
                raise wrong(f"'summary' beside {', '.join(sorted(given))}", "either a summary or the causes, not both")
            return self
        needed = ("signal_periods" if self.measures == "rotation" else "signal_period", "interpolation")
        for key in needed:
            if getattr(self, key) is None:
                raise wrong(f"{key!r} is missing", f"{' and '.join(needed)}, or a summary")
        unused = next(key for key in scale if key not in needed)
        if getattr(self, unused) is not None:
            raise wrong(f"{unused!r} on an encoder that measures {self.measures}", needed[0])
        strangers = ("track_radius",) if self.measures == "translation" else ("expansion", "slope_error")
        for key in strangers:
            if getattr(self, key):
                raise wrong(f"'{key}' on an encoder that measures {self.measures}", "leave it out")
        if self.sensing_window and self.measures == "rotation" and not self.track_radius:
            raise wrong("'sensing_window' without 'track_radius'", "the radius, which tells how many periods it holds")
        if self.sensing_window and self.summary is None:
            track = 2 * math.pi * (self.track_radius or 0.0)
            period = self.signal_period or track / (self.signal_periods or 1)
            if self.sensing_window < period or (track and self.sensing_window > track / 4):
                found = f"a sensing_window of {self.sensing_window / period:.3g} signal periods"
                raise wrong(found, "one signal period at least, a quarter of the track at most")
        if self.light_cone and self.measures == "rotation" and not self.track_radius:
            raise wrong("'light_cone' without 'track_radius'", "the radius, which tells how long a period is")
        if self.read_heads > 1 and self.measures == "translation":
            raise wrong("'read_heads' on an encoder that measures translation", "1")
        return self


def build_encoder(document: EncoderDocument, source: Source, at: KeyPath = ()) -> Encoder:
    """The encoder of a document."""
    rotary = document.measures == "rotation"
    kind = "angle" if rotary else "length"

    def spread(entry: Tolerance | None, *path: str) -> Any:
        if entry is None:
            return NONE
        expected = kind if path[-1] != "drift" else f"{'angular' if rotary else 'linear'} drift"
        if path[-1] in OF_THE_SHAFT and entry.kind != expected:
            raise _wrong_kind(source, (*at, *path), entry.kind, expected)
        return entry.spread

    summary = None
    if document.summary is not None:
        sheet = document.summary
        summary = Summary(
            _resolution(sheet.resolution, rotary, source, (*at, "summary", "resolution")),
            spread(sheet.accuracy, "summary", "accuracy"),
            spread(sheet.repeatability, "summary", "repeatability"),
        )
    signal, hysteresis = document.signal, document.hysteresis
    if hysteresis is not None and hysteresis.kind != kind:
        raise _wrong_kind(source, (*at, "hysteresis"), hysteresis.kind, kind)
    return Encoder(
        name=document.name,
        rotary=rotary,
        signal_periods=document.signal_periods or 0,
        signal_period=document.signal_period or 0.0,
        interpolation=document.interpolation or 0.0,
        track_radius=document.track_radius or 0.0,
        sensing_window=document.sensing_window or 0.0,
        light_cone=document.light_cone or 0.0,
        graduation_error=spread(document.graduation_error, "graduation_error"),
        signal=Signal(
            spread(signal.offset, "signal", "offset"),
            spread(signal.amplitude_mismatch, "signal", "amplitude_mismatch"),
            spread(signal.phase_error, "signal", "phase_error"),
            spread(signal.third_harmonic, "signal", "third_harmonic"),
            signal.third_harmonic_order,
            signal.noise,
            signal.averages,
            spread(signal.offset_drift, "signal", "offset_drift"),
        ),
        hysteresis=0.0 if hysteresis is None else hysteresis.value,
        corrections=document.corrections.model_dump(),
        read_heads=document.read_heads,
        timing=Timing(document.timing.latency, document.timing.jitter),
        drift=spread(document.drift, "drift"),
        expansion=document.expansion,
        slope_error=spread(document.slope_error, "slope_error"),
        price=document.price,
        summary=summary,
    )


def _wrong_kind(source: Source, path: KeyPath, found: str, accepted: str) -> InputError:
    return source.error(path, f"{found} where {accepted} is asked for", f"a tolerance of {accepted}")


def _resolution(entry: Measured, rotary: bool, source: Source, path: KeyPath) -> float:
    """Bits of a turn, or the step of a linear scale [m]; a rotary one may state its step as an angle."""
    kinds = ("bits", "angle") if rotary else ("length",)
    if entry.kind not in kinds or entry.value <= 0:
        raise source.error(
            path, f"{entry.value:g} in SI units, {entry.kind}", units.accepted(*kinds) + ", more than zero"
        )
    return math.log2(2 * math.pi / entry.value) if entry.kind == "angle" else entry.value
