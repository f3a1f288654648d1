"""Statements of a data sheet in terms that the model does not use, and the encoder that follows from them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from armsim.errormodel.distributions import LIMIT_FACTORS, Distribution
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import SHAFT
from armsim.field_spec import key, walk
from armsim.formatting import percent, show
from armsim.model.encoder import Encoder, ValueOrigin
from armsim.model.encoder_parts import SecondTrack, SheetSummary, Signal
from armsim.model.installation import INCREMENTAL, INCREMENTAL_WITH_INDEX, MULTI_TURN, SINGLE_TURN
from armsim.model.mounting import ERROR_POWERS, WHOLLY_STATED
from armsim.physics.scale import noise_share

TRACK_SHARE = 0.85
"""Radius of the track over that of the disc, if the sheet states only the latter: at the low end of discs of 13 to
70 mm, so that an eccentricity is overestimated rather than underestimated. Common practice, no source."""
BITS_TOLERANCE = 0.01
"""Bits by which two statements of one resolution may differ: the rounding to two digits."""
ONE_OR_EQUAL = "one of them, or two that agree"
SIZE_TOLERANCE = 1e-3
"""Share by which two statements of one size may differ."""
RADIUS_DEPENDENT = ("eccentricity", "ellipticity")
"""Mounting sizes whose error is inversely proportional to the radius of the track."""


@dataclass(frozen=True)
class DataSheet:
    """Period, radius and resolution in the terms of data sheets."""

    lines: int = key(
        0, "count", "lines of the scale per turn, a signal period each", least=1, most=100_000_000,
        why="no scale is finer", only="rotation",
    )  # fmt: skip
    pole_pairs: int = key(
        0, "count", "pole pairs per turn, a signal period each", least=1, most=1_000_000, why="no magnet has more",
        only="rotation",
    )  # fmt: skip
    poles: int = key(
        0, "count", "magnetic poles per turn, two to a signal period", least=2, most=2_000_000,
        why="no magnet has more", only="rotation",
    )  # fmt: skip
    resolution: float = key(
        0.0, "resolution", "steps per turn, as bits, as counts or as the angle of one; step of a linear scale",
        least=0.0, above=True,
    )  # fmt: skip
    track_diameter: float = key(
        0.0, "length", "diameter at which the track is read", least=0.0, above=True, only="rotation"
    )
    outer_diameter: float = key(
        0.0, "length", "largest diameter of disc, ring or housing", least=0.0, above=True, only="rotation"
    )


class Contradiction(Exception):
    """Two statements of a sheet that contradict each other.

    Parameters
    ----------
    key, finding, accepted : str
        Key, what was found there, what is accepted.
    """

    def __init__(self, key: str, finding: str, accepted: str) -> None:
        super().__init__(finding)
        self.key, self.actual, self.accepted = key, finding, accepted


def apply_data_sheet(sheet: DataSheet, encoder: Encoder, document: Mapping[str, Any]) -> Encoder:
    """Encoder completed by its data sheet, with the origin of each of its numbers.

    Parameters
    ----------
    sheet : Sheet
    encoder : Encoder
        Statements in the model's terms.
    document : mapping
        The document, as the user wrote it.

    Returns
    -------
    Encoder

    Raises
    ------
    Contradiction
    """
    encoder, period_origins = _with_period(sheet, encoder, document)
    encoder, radius_origins = _with_radius(sheet, encoder, document)
    encoder, resolution_origins = _with_resolution(sheet, encoder, document)
    _check(encoder)
    return replace(
        encoder,
        value_origins=(
            *period_origins,
            *radius_origins,
            *resolution_origins,
            *_stated_values(encoder, document),
            *_derived_values(encoder),
        ),
    )


def _with_period(sheet: DataSheet, encoder: Encoder, document: Mapping[str, Any]) -> tuple[Encoder, list[ValueOrigin]]:
    """Signal periods per turn: the number of lines or pole pairs, half the number of poles."""
    if sheet.poles % 2:
        raise Contradiction("poles", f"{sheet.poles} poles", "an even number: a signal period is a pair of them")
    statements = {
        "signal_periods": encoder.signal_periods, "lines": sheet.lines, "pole_pairs": sheet.pole_pairs,
        "poles": sheet.poles // 2,
    }  # fmt: skip
    statements = {name: periods for name, periods in statements.items() if periods}
    if not statements:
        return encoder, []
    name, periods = next(iter(statements.items()))
    for other, number in statements.items():
        if number != periods:
            raise Contradiction(other, f"{number} signal periods, {periods} by {name}", ONE_OR_EQUAL)
    if name == "signal_periods":
        return encoder, []
    explanation = "two to a signal period" if name == "poles" else "a signal period each"
    value_origin = ValueOrigin("signal_periods", f"{periods}", f"{name}: {document.get(name)}, {explanation}")
    return replace(encoder, signal_periods=periods), [value_origin]


def _with_radius(sheet: DataSheet, encoder: Encoder, document: Mapping[str, Any]) -> tuple[Encoder, list[ValueOrigin]]:
    """Radius of the track: half its diameter, or `TRACK_SHARE` of the radius of the disc where only that is stated, but
    no less than the radius of the bore.
    """
    outer, track, bore = sheet.outer_diameter / 2, sheet.track_diameter / 2, encoder.body.inner_diameter / 2
    if outer and bore >= outer:
        finding = f"bore {_mm(2 * bore)} of a part {_mm(2 * outer)} across"
        raise Contradiction("inner_diameter", finding, f"below {_mm(2 * outer)}")
    if track and encoder.track_radius and abs(track / encoder.track_radius - 1) > SIZE_TOLERANCE:
        finding = f"radius {_mm(track)}, but track_radius {_mm(encoder.track_radius)}"
        raise Contradiction("track_diameter", finding, ONE_OR_EQUAL)
    radius = encoder.track_radius or track
    if outer and radius >= outer:
        finding = f"{document.get('outer_diameter')} across, with a track at a radius of {_mm(radius)}"
        raise Contradiction("outer_diameter", finding, f"a track within the disc: a radius below {_mm(outer)}")
    if encoder.track_radius or not (track or outer):
        return encoder, []
    if track:
        value_origin = ValueOrigin(
            "track_radius", _mm(track), f"track_diameter: {document.get('track_diameter')}, half of it"
        )
    else:
        radius = max(TRACK_SHARE * outer, bore)
        track_position = f"{TRACK_SHARE} of its radius" if radius > bore else "the radius of its bore"
        assumed = f"outer_diameter: {document.get('outer_diameter')}, the track taken at {track_position}"
        value_origin = ValueOrigin("track_radius", _mm(radius), assumed, assumed=True)
    return replace(encoder, track_radius=radius), [value_origin]


def _with_resolution(
    sheet: DataSheet, encoder: Encoder, document: Mapping[str, Any]
) -> tuple[Encoder, list[ValueOrigin]]:
    """Bits within a signal period: those of the resolution less those of the periods."""
    summary = encoder.summary
    statements = [("resolution", sheet.resolution)] if sheet.resolution else []
    statements += [("summary.resolution", summary.resolution)] if summary is not None and summary.resolution else []
    if not statements:
        if "interpolation" not in document or not (encoder.signal_periods or encoder.signal_period):
            scale = "lines or signal_periods" if encoder.rotary else "signal_period"
            raise Contradiction("resolution", "is missing", f"the resolution, or {scale} with interpolation")
        return encoder, []
    name, resolution = statements[0]
    for other, value in statements[1:]:
        if abs(_bits(value, encoder.rotary) - _bits(resolution, encoder.rotary)) > BITS_TOLERANCE:
            raise Contradiction(other, f"a resolution other than that of {name}", ONE_OR_EQUAL)
    text = f"{name}: {_entry_at(document, name)}"
    if not (encoder.signal_periods or encoder.signal_period):
        completed_summary = replace(summary or SheetSummary(), resolution=resolution)
        return replace(encoder, summary=completed_summary), [
            ValueOrigin("resolution", _resolution_text(resolution, encoder.rotary), text)
        ]
    per_turn = math.log2(encoder.signal_periods) if encoder.rotary else -math.log2(encoder.signal_period)
    period_bits = _bits(resolution, encoder.rotary) - per_turn
    if period_bits < -BITS_TOLERANCE:
        finding = f"{_resolution_text(resolution, encoder.rotary)}, coarser than the signal period"
        raise Contradiction(name, finding, "as many steps as signal periods at least")
    if "interpolation" in document and abs(encoder.interpolation - period_bits) > BITS_TOLERANCE:
        finding = f"{encoder.interpolation:.4g} bit within a period, but {period_bits:.4g} bit by {name}"
        raise Contradiction("interpolation", finding, ONE_OR_EQUAL)
    periods = (
        f"{encoder.signal_periods} periods" if encoder.rotary else f"a period of {1e6 * encoder.signal_period:.4g} µm"
    )
    value_origin = ValueOrigin("interpolation", f"{period_bits:.4g} bit", f"{text}, over {periods}")
    return replace(encoder, interpolation=max(period_bits, 0.0)), [value_origin]


def _stated_values(encoder: Encoder, document: Mapping[str, Any]) -> Iterator[ValueOrigin]:
    """Origins of the values that are stated in terms of the model."""
    for path, field in walk(Encoder):
        entry = _entry_at(document, path)
        if entry is None or field.key.silent or path in ("name", "measures", "summary.resolution"):
            continue
        if field.many:
            text = "; ".join(_entry_text(item) for item in entry)
            yield ValueOrigin(path, text, "as stated")
            continue
        value: Any = encoder
        for step in path.split("."):
            value = getattr(value, step)
        if isinstance(value, Distribution) and field.key.kind == "position":
            size = f"standard deviation {_size(value.rms, encoder.rotary)}"
            yield ValueOrigin(path, size, f"as stated: {_entry_text(entry)}, {value.distribution}")
        else:
            yield ValueOrigin(path, _entry_text(entry), "as stated")
    for name, entry in (_entry_at(document, "summary.mounted_with") or {}).items():
        yield ValueOrigin(
            f"summary.mounted_with.{name}", _entry_text(entry), "as stated: part of the accuracy, not counted twice"
        )


def _entry_text(entry: Any) -> str:
    """A value as the user wrote it."""
    return ", ".join(f"{key} {value}" for key, value in entry.items()) if isinstance(entry, Mapping) else str(entry)


def _derived_values(encoder: Encoder) -> Iterator[ValueOrigin]:
    """Origins of what remains of stated totals, and of assumptions."""
    summary = encoder.summary
    if summary is not None and summary.accuracy.nonzero:
        parts, size = encoder.stated_accuracy_parts(1.0), summary.accuracy.rms
        if parts:
            remainder = math.sqrt(max(0.0, size**2 - parts**2))
            explanation = f"summary.accuracy less {_size(parts, encoder.rotary)} (variances)"
            yield ValueOrigin(
                "accuracy without its stated parts",
                f"standard deviation {_size(remainder, encoder.rotary)}",
                explanation,
            )
        yield ValueOrigin(
            "shape of the accuracy", "one wave of order 1 to 4, phase unknown", "the sheet states only its size", True
        )
    for entry in encoder.misalignment_errors:
        if entry.offset_key in WHOLLY_STATED:
            explanation = (
                "geometry not added, and neither read heads nor corrections, which the statement holds already"
            )
            yield ValueOrigin(
                entry.offset_key.replace("_", " "), "as the sheet states", f"misalignment_errors: {explanation}"
            )
    if encoder.sub_divisional_error.nonzero and encoder.head_count > 1:
        explanation = f"as stated: of the reading, its heads averaged, not divided by the root of {encoder.head_count}"
        yield ValueOrigin("read heads", f"{encoder.head_count} averaged", f"sub_divisional_error {explanation}")
    if encoder.sub_divisional_error.nonzero:
        explanation = "the sheet states only its size"
        yield ValueOrigin("shape within a period", "one wave, once or twice a period, phase unknown", explanation, True)
    if encoder.noise_bandwidth and encoder.used_bandwidth:
        share = noise_share(encoder.noise_bandwidth, encoder.used_bandwidth)
        explanation = "square root of used_bandwidth over noise_bandwidth, for white noise"
        yield ValueOrigin("share of the noise that remains", percent(share), explanation, True)
    if (encoder.signal_periods or encoder.signal_period) and not encoder.sensing_window:
        explanation = "no sensing_window is stated; it matters if the head is misaligned"
        yield ValueOrigin("sensing_window", f"{encoder.window_periods:g} signal periods", explanation, True)


def _check(encoder: Encoder) -> None:
    """Check a completed encoder for contradictions."""
    has_period = encoder.signal_periods or encoder.signal_period
    for name, is_stated, needed_value in (
        ("sub_divisional_error", encoder.sub_divisional_error.nonzero, has_period),
        ("light_cone", encoder.light_cone, encoder.period),
        ("signal", encoder.signal != Signal(), has_period),
        ("max_frequency", encoder.max_frequency, has_period),
    ):
        if is_stated and not needed_value:
            scale = "signal_period" if not encoder.rotary else "lines or signal_periods"
            scale += " and the radius" if name == "light_cone" and encoder.rotary else ""
            raise Contradiction(name, f"without {scale}", f"{scale}, which determine the length of a period")
    if encoder.sensing_window and encoder.rotary and not encoder.track_radius:
        accepted = "the radius, which determines the number of periods"
        raise Contradiction("sensing_window", "without track_radius", accepted)
    track = 2 * math.pi * encoder.track_radius
    if encoder.sensing_window and (encoder.window_periods < 1 or (track and encoder.sensing_window > track / 4)):
        finding = f"{encoder.window_periods:.3g} signal periods"
        raise Contradiction("sensing_window", finding, "one signal period at least, a quarter of the track at most")
    if encoder.absolute is not None:
        _check_second(encoder, encoder.absolute)
    if encoder.homing.nonzero and encoder.function in (SINGLE_TURN, MULTI_TURN):
        by_track = "" if encoder.functions.function else ", by its track"
        finding = f"of an encoder whose function is {encoder.function}{by_track}"
        raise Contradiction("homing", finding, f"{INCREMENTAL}, or {INCREMENTAL_WITH_INDEX}")
    summary = encoder.summary
    if summary is None:
        return
    _check_mounted(encoder, summary)
    fundamental = 1.0
    for name, size, parts in (
        ("accuracy", summary.accuracy.rms, encoder.stated_accuracy_parts(fundamental)),
        ("repeatability", summary.repeatability.rms, encoder.stated_repeatability_parts()),
    ):
        if size and parts > size * (1 + SIZE_TOLERANCE):
            whole_text, parts_text = _size(size, encoder.rotary), _size(parts, encoder.rotary)
            finding = f"{whole_text} rms, but the parts that are stated make {parts_text} rms"
            raise Contradiction(f"summary.{name}", finding, "a value that is no less than its parts")


def _check_mounted(encoder: Encoder, summary: SheetSummary) -> None:
    """Check that the stated accuracy includes the errors of the mounting at which it is stated.

    No unit mounted so may exceed a bounded accuracy, and the mean squares of all its parts may not exceed that of the
    accuracy.
    """
    sizes = [name for name in ERROR_POWERS if getattr(summary.mounted_with, name).spread.nonzero]
    if not sizes:
        return
    if not summary.accuracy.nonzero:
        accepted = "accuracy: the value that includes the mounting errors"
        raise Contradiction("summary.mounted_with", f"{', '.join(sizes)} without an accuracy", accepted)
    stated_offsets = [entry.offset_key for entry in encoder.misalignment_errors]
    if not encoder.track_radius and any(name in RADIUS_DEPENDENT and name not in stated_offsets for name in sizes):
        accepted = "track_radius, track_diameter or outer_diameter, which determines its error"
        raise Contradiction("summary.mounted_with", "without the radius of the track", accepted)
    terms = encoder.accuracy_mounting_terms()
    square = sum(term.mean_square(SHAFT, State.at_rest(np.zeros(1))) for term in terms)
    spreads = [getattr(summary.mounted_with, name).spread for name in sizes]
    largest = max((term.limit for term in terms), default=0.0)
    is_bounded = all(spread.distribution not in LIMIT_FACTORS for spread in (summary.accuracy, *spreads))
    parts_rms = encoder.stated_accuracy_parts(1.0)
    parts_text = f", the parts that are stated {_size(parts_rms, encoder.rotary)} rms" if parts_rms else ""
    combined_rms = math.hypot(math.sqrt(square), parts_rms)
    if combined_rms > summary.accuracy.rms * (1 + SIZE_TOLERANCE) or (
        is_bounded and largest > summary.accuracy.limit * (1 + SIZE_TOLERANCE)
    ):
        accuracy = (
            f"{_size(summary.accuracy.limit, encoder.rotary)} ({_size(summary.accuracy.rms, encoder.rotary)} rms)"
        )
        errors = f"{_size(largest, encoder.rotary)} ({_size(math.sqrt(square), encoder.rotary)} rms)"
        finding = f"{', '.join(sizes)} of up to {errors}{parts_text}, in an accuracy of up to {accuracy}"
        raise Contradiction("summary.mounted_with", finding, "a value that is no less than its parts")


def _check_second(encoder: Encoder, second: SecondTrack) -> None:
    """Check that the track that identifies the period is another, coarser one on the same disc."""
    if not (encoder.signal_periods and encoder.track_radius):
        accepted = "lines or signal_periods, and the radius of the fine track"
        raise Contradiction("absolute", "without a fine track", accepted)
    if second.periods >= encoder.signal_periods:
        finding = f"{second.periods} periods, the fine track has {encoder.signal_periods}"
        raise Contradiction("absolute.periods", finding, "fewer, or 0 for a track that holds a code")


def _bits(resolution: float, rotary: bool) -> float:
    return resolution if rotary else -math.log2(resolution)


def _entry_at(document: Mapping[str, Any], path: str) -> Any:
    node: Any = document
    for step in path.split("."):
        node = node.get(step) if isinstance(node, Mapping) else None
    return node


def _mm(length: float) -> str:
    return f"{1e3 * length:.4g} mm"


def _resolution_text(resolution: float, rotary: bool) -> str:
    return f"{resolution:.4g} bit per turn" if rotary else f"step of {1e6 * resolution:.4g} µm"


def _size(value: float, rotary: bool) -> str:
    return f"{math.degrees(value) * 3600:.3g} arcsec" if rotary else show(value)
