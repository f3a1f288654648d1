"""The encoder document."""

from __future__ import annotations

import math
from typing import Any, Literal

from pydantic import model_validator

from armsim.documents.declared import Place, build, extended, given_keys
from armsim.documents.fields import wrong
from armsim.model.encoder import Encoder
from armsim.sources import KeyPath, Source

BESIDE_SUMMARY = ("kind", "name", "measures", "price", "summary", "timing", "drift", "expansion", "hysteresis")
"""Keys that may stand beside a summary: what a summary does not cover."""
SCALE: dict[str, tuple[str, ...]] = {
    "rotation": ("signal_periods", "interpolation"),
    "translation": ("signal_period", "interpolation"),
}
"""Keys without which a sensor is not known, where there is no summary."""


def _whole(own: Any) -> Any:
    """What the keys of an encoder must be to each other."""
    given = [key for key in given_keys(own) if key not in BESIDE_SUMMARY]
    if own.summary is not None:
        if given:
            raise wrong(f"'summary' beside {', '.join(sorted(given))}", "either a summary or the causes, not both")
        return own
    needed = SCALE[own.measures]
    for key in needed:
        if getattr(own, key) is None:
            raise wrong(f"{key!r} is missing", f"{' and '.join(needed)}, or a summary")
    turning = own.measures == "rotation"
    if own.sensing_window and turning and not own.track_radius:
        raise wrong("'sensing_window' without 'track_radius'", "the radius, which tells how many periods it holds")
    if own.sensing_window:
        track = 2 * math.pi * (own.track_radius or 0.0)
        period = own.signal_period or track / (own.signal_periods or 1)
        if own.sensing_window < period or (track and own.sensing_window > track / 4):
            found = f"a sensing_window of {own.sensing_window / period:.3g} signal periods"
            raise wrong(found, "one signal period at least, a quarter of the track at most")
    if own.light_cone and turning and not own.track_radius:
        raise wrong("'light_cone' without 'track_radius'", "the radius, which tells how long a period is")
    if (own.read_heads or 1) > 1 and not turning:
        raise wrong("'read_heads' on an encoder that measures translation", "1")
    return own


EncoderDocument = extended(
    Encoder,
    "EncoderDocument",
    {"kind": (Literal["encoder"], ...)},
    {"whole": model_validator(mode="after")(_whole)},
)


def build_encoder(document: Any, source: Source, at: KeyPath = ()) -> Encoder:
    """The encoder of a document."""
    place = Place(source, at, document.measures, f"on an encoder that measures {document.measures}")
    return build(Encoder, document, place)
