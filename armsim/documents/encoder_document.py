"""The encoder document."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal

from pydantic import model_validator

from armsim.documents.fields import wrong
from armsim.documents.from_spec import Place, build, extended, given_keys, keys_of
from armsim.documents.read_measured_curves import BatchDocument, of_batch
from armsim.model.datasheet import Contradiction, Sheet, read_sheet
from armsim.model.encoder import Encoder
from armsim.model.mounting import POWERS
from armsim.sources import KeyPath, Source

PERIODIC = ("offset", "amplitude_mismatch", "phase_error", "third_harmonic")
"""Keys of the signals that a stated sub-divisional error is the sum of."""
MOST_HEADS = 64
ANGLES = ("head_tilt", "disc_tilt")
"""Offsets that are angles."""


def _whole(own: Any) -> Any:
    """What the keys of an encoder must be to each other."""
    signal = [] if own.signal is None else given_keys(own.signal)
    twice = [name for name in signal if name in PERIODIC]
    if own.sub_divisional_error and twice:
        found = f"'sub_divisional_error' beside signal {', '.join(twice)}, of which it is the sum"
        raise wrong(found, "one of them: what is stated twice would count twice")
    if own.noise and "noise" in signal:
        raise wrong("'noise' beside signal noise", "one of them: what is stated twice would count twice")
    if own.used_bandwidth and not (own.noise and own.noise_bandwidth):
        raise wrong("'used_bandwidth' without noise and noise_bandwidth", "all three")
    if own.used_bandwidth and own.used_bandwidth > own.noise_bandwidth:
        raise wrong("'used_bandwidth' above noise_bandwidth", "at most that at which the noise is stated")
    if (own.read_heads or 1) > 1 and own.measures != "rotation":
        raise wrong("'read_heads' on an encoder that measures translation", "1")
    angles = own.read_head_angles
    if angles is not None and (own.read_heads is not None or len(angles) < 2 or len(angles) > MOST_HEADS):
        found = f"{len(angles)} 'read_head_angles'" + (" beside read_heads" if own.read_heads is not None else "")
        raise wrong(found, f"from 2 to {MOST_HEADS} angles, without read_heads")
    mounted = own.summary and own.summary.mounted_with
    others = [name for name in given_keys(mounted) if name not in POWERS] if mounted else []
    if others:
        raise wrong(f"'mounted_with' with {', '.join(others)}", ", ".join(POWERS))
    entries = [entry.of for entry in own.misalignment_errors or ()]
    twice = [name for name in dict.fromkeys(entries) if entries.count(name) > 1]
    if twice:
        raise wrong(f"'misalignment_errors' of {', '.join(twice)} twice", "one of each")
    for entry in own.misalignment_errors or ():
        kind = "angle" if entry.of in ANGLES else "length"
        if entry.at.kind != kind:
            raise wrong(f"'misalignment_errors' of {entry.of} at a {entry.at.kind}", f"at: of the kind {kind}")
    return own


EncoderDocument = extended(
    Encoder,
    "EncoderDocument",
    {"kind": (Literal["encoder"], ...), **keys_of(Sheet), "error_curves": (BatchDocument | None, None)},
    {"whole": model_validator(mode="after")(_whole)},
)


def build_encoder(document: Any, source: Source, at: KeyPath = ()) -> Encoder:
    """The encoder of a document.

    Raises
    ------
    InputError
        A quantity does not fit what is measured, or two statements contradict each other.
    """
    place = Place(source, at, document.measures, f"on an encoder that measures {document.measures}")
    written: Any = source.data
    for part in at:
        written = written[part]
    try:
        own = read_sheet(build(Sheet, document, place), build(Encoder, document, place), written)
    except Contradiction as error:
        raise source.error((*at, *error.key.split(".")), error.found, error.accepted) from error
    if document.error_curves is None:
        return own
    return replace(own, batch=of_batch(document.error_curves, own.rotary, source, (*at, "error_curves")))
