"""What a data sheet states in other words than the model's, and the encoder that follows from it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from armsim.errormodel.distributions import COVERED, Distribution
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import SHAFT
from armsim.field_spec import key, walk
from armsim.formatting import percent, show
from armsim.model.encoder import Encoder, Reading, SecondTrack, SheetSummary, Signal
from armsim.model.mounting import POWERS, STATED
from armsim.physics.scale import noise_share

TRACK_SHARE = 0.85
"""Radius of the track over that of the disc, where the sheet tells only the latter: the small side of what discs of
13 to 70 mm have, so that an eccentricity counts for too much rather than too little. Common practice, no source."""
SAME_BITS = 0.01
"""Bits by which two statements of one resolution may differ: what rounding to two digits leaves."""
AGREE = "one of them, or two that agree"
SAME = 1e-3
"""Share by which two statements of one size may differ."""
RADIAL = ("eccentricity", "ellipticity")
"""Sizes that err in inverse proportion to the radius of the track."""


@dataclass(frozen=True)
class Sheet:
    """Other words for the period, the radius and the resolution."""

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
    outer_diameter: float = key(0.0, "length", "of the disc or ring", least=0.0, above=True, only="rotation")


class Contradiction(Exception):
    """Two statements of a sheet that cannot both hold.

    Parameters
    ----------
    key, found, accepted : str
        Where, what stands there, what would do.
    """

    def __init__(self, key: str, found: str, accepted: str) -> None:
        super().__init__(found)
        self.key, self.found, self.accepted = key, found, accepted


def read_sheet(stated: Sheet, own: Encoder, written: Mapping[str, Any]) -> Encoder:
    """An encoder with what its sheet states in other words, and with how each of its numbers was had.

    Parameters
    ----------
    stated : Sheet
    own : Encoder
        What is stated in the model's words.
    written : mapping
        The document, as the user wrote it.

    Raises
    ------
    Contradiction
    """
    own, how = _with_period(stated, own, written)
    own, radius = _with_radius(stated, own, written)
    own, steps = _with_resolution(stated, own, written)
    _check(own)
    return replace(own, readings=(*how, *radius, *steps, *_as_stated(own, written), *_left(own)))


def _with_period(stated: Sheet, own: Encoder, written: Mapping[str, Any]) -> tuple[Encoder, list[Reading]]:
    """Signal periods per turn: as many as lines or pole pairs, half as many as poles."""
    if stated.poles % 2:
        raise Contradiction("poles", f"{stated.poles} poles", "an even number: a signal period is a pair of them")
    said = {
        "signal_periods": own.signal_periods, "lines": stated.lines, "pole_pairs": stated.pole_pairs,
        "poles": stated.poles // 2,
    }  # fmt: skip
    said = {name: periods for name, periods in said.items() if periods}
    if not said:
        return own, []
    name, periods = next(iter(said.items()))
    for other, number in said.items():
        if number != periods:
            raise Contradiction(other, f"{number} signal periods, {periods} by {name}", AGREE)
    if name == "signal_periods":
        return own, []
    each = "two to a signal period" if name == "poles" else "a signal period each"
    how = Reading("signal_periods", f"{periods}", f"{name}: {written.get(name)}, {each}")
    return replace(own, signal_periods=periods), [how]


def _with_radius(stated: Sheet, own: Encoder, written: Mapping[str, Any]) -> tuple[Encoder, list[Reading]]:
    """Radius of the track: half its diameter; of the disc's, where that is all that is stated, `TRACK_SHARE`."""
    outer, track = stated.outer_diameter / 2, stated.track_diameter / 2
    if track and own.track_radius and abs(track / own.track_radius - 1) > SAME:
        found = f"radius {_mm(track)}, but track_radius {_mm(own.track_radius)}"
        raise Contradiction("track_diameter", found, AGREE)
    radius = own.track_radius or track
    if outer and radius >= outer:
        found = f"{written.get('outer_diameter')} across, with a track at a radius of {_mm(radius)}"
        raise Contradiction("outer_diameter", found, f"a track within the disc: a radius below {_mm(outer)}")
    if own.track_radius or not (track or outer):
        return own, []
    if track:
        how = Reading("track_radius", _mm(track), f"track_diameter: {written.get('track_diameter')}, half of it")
    else:
        assumed = f"outer_diameter: {written.get('outer_diameter')}, the track taken at {TRACK_SHARE} of its radius"
        how = Reading("track_radius", _mm(TRACK_SHARE * outer), assumed, assumed=True)
    return replace(own, track_radius=radius or TRACK_SHARE * outer), [how]


def _with_resolution(stated: Sheet, own: Encoder, written: Mapping[str, Any]) -> tuple[Encoder, list[Reading]]:
    """Bits within a signal period: those of the whole less those that the periods give."""
    summary = own.summary
    said = [("resolution", stated.resolution)] if stated.resolution else []
    said += [("summary.resolution", summary.resolution)] if summary is not None and summary.resolution else []
    if not said:
        if "interpolation" not in written or not (own.signal_periods or own.signal_period):
            scale = "lines or signal_periods" if own.rotary else "signal_period"
            raise Contradiction("resolution", "is missing", f"the resolution, or {scale} with interpolation")
        return own, []
    name, whole = said[0]
    for other, value in said[1:]:
        if abs(_bits(value, own.rotary) - _bits(whole, own.rotary)) > SAME_BITS:
            raise Contradiction(other, f"another resolution than by {name}", AGREE)
    text = f"{name}: {_at(written, name)}"
    if not (own.signal_periods or own.signal_period):
        kept = replace(summary or SheetSummary(), resolution=whole)
        return replace(own, summary=kept), [Reading("resolution", _shown(whole, own.rotary), text)]
    per_turn = math.log2(own.signal_periods) if own.rotary else -math.log2(own.signal_period)
    within = _bits(whole, own.rotary) - per_turn
    if within < -SAME_BITS:
        found = f"{_shown(whole, own.rotary)}, coarser than the signal period"
        raise Contradiction(name, found, "as many steps as signal periods at least")
    if "interpolation" in written and abs(own.interpolation - within) > SAME_BITS:
        found = f"{own.interpolation:.4g} bit within a period, but {within:.4g} bit by {name}"
        raise Contradiction("interpolation", found, AGREE)
    periods = f"{own.signal_periods} periods" if own.rotary else f"a period of {1e6 * own.signal_period:.4g} µm"
    how = Reading("interpolation", f"{within:.4g} bit", f"{text}, over {periods}")
    return replace(own, interpolation=max(within, 0.0)), [how]


def _as_stated(own: Encoder, written: Mapping[str, Any]) -> Iterator[Reading]:
    """What the sheet states in the model's own words."""
    for path, field in walk(Encoder):
        entry = _at(written, path)
        if entry is None or field.key.silent or path in ("name", "measures", "summary.resolution"):
            continue
        if field.many:
            text = "; ".join(_plain(one) for one in entry)
            yield Reading(path, text, "as stated")
            continue
        value: Any = own
        for part in path.split("."):
            value = getattr(value, part)
        if isinstance(value, Distribution) and field.key.kind == "position":
            size = f"standard deviation {_size(value.rms, own.rotary)}"
            yield Reading(path, size, f"as stated: {_plain(entry)}, {value.distribution}")
        else:
            yield Reading(path, _plain(entry), "as stated")
    for name, entry in (_at(written, "summary.mounted_with") or {}).items():
        yield Reading(
            f"summary.mounted_with.{name}", _plain(entry), "as stated: part of the accuracy, not counted twice"
        )


def _plain(entry: Any) -> str:
    """A value as the user wrote it."""
    return ", ".join(f"{key} {value}" for key, value in entry.items()) if isinstance(entry, Mapping) else str(entry)


def _left(own: Encoder) -> Iterator[Reading]:
    """What is left of a stated whole, and what is taken for granted."""
    whole = own.summary
    if whole is not None and whole.accuracy.nonzero:
        parts, size = own.parts_of_accuracy(1.0), whole.accuracy.rms
        if parts:
            left = math.sqrt(max(0.0, size**2 - parts**2))
            how = f"summary.accuracy less its stated parts, {_size(parts, own.rotary)} (variances)"
            yield Reading("accuracy left", f"standard deviation {_size(left, own.rotary)}", how)
        yield Reading(
            "shape of the accuracy", "one wave of order 1 to 4, phase unknown", "the sheet tells its size alone", True
        )
    for entry in own.misalignment_errors:
        if entry.of in STATED:
            how = "geometry not added, and neither read heads nor corrections, which the statement holds already"
            yield Reading(entry.of.replace("_", " "), "as the sheet states", f"misalignment_errors: {how}")
    if own.sub_divisional_error.nonzero and own.head_count > 1:
        how = f"as stated: of the reading, its heads averaged, not divided by the root of {own.head_count}"
        yield Reading("read heads", f"{own.head_count} averaged", f"sub_divisional_error {how}")
    if own.sub_divisional_error.nonzero:
        how = "the sheet tells its size alone"
        yield Reading("shape within a period", "one wave, once or twice a period, phase unknown", how, True)
    if own.noise_bandwidth and own.used_bandwidth:
        share = noise_share(own.noise_bandwidth, own.used_bandwidth)
        how = "square root of used_bandwidth over noise_bandwidth, for white noise"
        yield Reading("noise left", percent(share), how, True)
    if (own.signal_periods or own.signal_period) and not own.sensing_window:
        how = "no sensing_window is stated; it counts where the head is off"
        yield Reading("sensing_window", f"{own.window_periods:g} signal periods", how, True)


def _check(own: Encoder) -> None:
    """What must hold of the whole."""
    known = own.signal_periods or own.signal_period
    for name, stated, needed in (
        ("sub_divisional_error", own.sub_divisional_error.nonzero, known), ("light_cone", own.light_cone, own.period),
        ("signal", own.signal != Signal(), known), ("max_frequency", own.max_frequency, known),
    ):  # fmt: skip
        if stated and not needed:
            scale = "signal_period" if not own.rotary else "lines or signal_periods"
            scale += " and the radius" if name == "light_cone" and own.rotary else ""
            raise Contradiction(name, f"without {scale}", f"{scale}, which tell how long a period is")
    if own.sensing_window and own.rotary and not own.track_radius:
        accepted = "the radius, which tells how many periods it holds"
        raise Contradiction("sensing_window", "without track_radius", accepted)
    track = 2 * math.pi * own.track_radius
    if own.sensing_window and (own.window_periods < 1 or (track and own.sensing_window > track / 4)):
        found = f"{own.window_periods:.3g} signal periods"
        raise Contradiction("sensing_window", found, "one signal period at least, a quarter of the track at most")
    if own.absolute is not None:
        _check_second(own, own.absolute)
    whole = own.summary
    if whole is None:
        return
    _check_mounted(own, whole)
    fundamental = 1.0
    for name, size, parts in (
        ("accuracy", whole.accuracy.rms, own.parts_of_accuracy(fundamental)),
        ("repeatability", whole.repeatability.rms, own.parts_of_repeatability()),
    ):
        if size and parts > size * (1 + SAME):
            found = f"{_size(size, own.rotary)} rms, but the parts that are stated make {_size(parts, own.rotary)} rms"
            raise Contradiction(f"summary.{name}", found, "a whole that is no less than its parts")


def _check_mounted(own: Encoder, whole: SheetSummary) -> None:
    """The accuracy must be stated, and hold the errors of the mounting at which it is stated.

    No unit that is mounted so may err by more than a bounded accuracy allows, and the mean squares of all that the
    accuracy holds are no more than its own.
    """
    sizes = [name for name in POWERS if getattr(whole.mounted_with, name).spread.nonzero]
    if not sizes:
        return
    if not whole.accuracy.nonzero:
        accepted = "accuracy: what the mounting is part of"
        raise Contradiction("summary.mounted_with", f"{', '.join(sizes)} without an accuracy", accepted)
    stated = [entry.of for entry in own.misalignment_errors]
    if not own.track_radius and any(name in RADIAL and name not in stated for name in sizes):
        accepted = "track_radius, track_diameter or outer_diameter, which tells how much it errs"
        raise Contradiction("summary.mounted_with", "without the radius of the track", accepted)
    terms = own.mounted_parts()
    square = sum(term.mean_square(SHAFT, State.at_rest(np.zeros(1))) for term in terms)
    bounded = [getattr(whole.mounted_with, name).spread for name in sizes]
    largest = max((term.limit for term in terms), default=0.0)
    limited = all(spread.distribution not in COVERED for spread in (whole.accuracy, *bounded))
    told = own.parts_of_accuracy(1.0)
    apart = f", the parts that are stated {_size(told, own.rotary)} rms" if told else ""
    together = math.hypot(math.sqrt(square), told)
    if together > whole.accuracy.rms * (1 + SAME) or (limited and largest > whole.accuracy.limit * (1 + SAME)):
        found = (
            f"{', '.join(sizes)} of up to {_size(largest, own.rotary)} ({_size(math.sqrt(square), own.rotary)} rms)"
            f"{apart}, in an accuracy of up to {_size(whole.accuracy.limit, own.rotary)} "
            f"({_size(whole.accuracy.rms, own.rotary)} rms)"
        )
        raise Contradiction("summary.mounted_with", found, "a whole that is no less than its parts")


def _check_second(own: Encoder, second: SecondTrack) -> None:
    """The track that tells the period must be another one, coarser, on the same disc."""
    if not (own.signal_periods and own.track_radius):
        accepted = "lines or signal_periods, and the radius of the fine track"
        raise Contradiction("absolute", "without a fine track", accepted)
    if second.periods >= own.signal_periods:
        found = f"{second.periods} periods, the fine track has {own.signal_periods}"
        raise Contradiction("absolute.periods", found, "fewer, or 0 for a track that holds a code")


def _bits(whole: float, rotary: bool) -> float:
    return whole if rotary else -math.log2(whole)


def _at(written: Mapping[str, Any], path: str) -> Any:
    here: Any = written
    for part in path.split("."):
        here = here.get(part) if isinstance(here, Mapping) else None
    return here


def _mm(length: float) -> str:
    return f"{1e3 * length:.4g} mm"


def _shown(whole: float, rotary: bool) -> str:
    return f"{whole:.4g} bit per turn" if rotary else f"step of {1e6 * whole:.4g} µm"


def _size(value: float, rotary: bool) -> str:
    return f"{math.degrees(value) * 3600:.3g} arcsec" if rotary else show(value)
