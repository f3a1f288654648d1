"""The encoder document."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, Literal

from pydantic import model_validator

from armsim.documents import units
from armsim.documents.fields import invalid, quantity
from armsim.documents.from_spec import Context, build, document_fields, extend_document, keys_present
from armsim.documents.needs_document import check_installation
from armsim.documents.price_steps import PRICE
from armsim.documents.read_measured_curves import BatchDocument, batch_curve
from armsim.model.datasheet import Contradiction, DataSheet, apply_data_sheet
from armsim.model.encoder import Encoder
from armsim.model.installation import MULTI_TURN, Body, Functions
from armsim.model.mounting import ERROR_POWERS
from armsim.sources import KeyPath, Source

SIGNAL_ERROR_KEYS = ("offset", "amplitude_mismatch", "phase_error", "third_harmonic")
"""Keys of the signals whose errors a stated sub-divisional error sums up."""
MOST_HEADS = 64
ANGULAR_OFFSETS = ("head_tilt", "disc_tilt")
"""Offsets that are angles; the others are lengths."""


def _check_encoder(document: Any) -> Any:
    """Check the keys of an encoder against each other."""
    signal = [] if document.signal is None else keys_present(document.signal)
    duplicates = [name for name in signal if name in SIGNAL_ERROR_KEYS]
    if document.sub_divisional_error and duplicates:
        finding = f"'sub_divisional_error' beside signal {', '.join(duplicates)}, of which it is the sum"
        raise invalid(finding, "one of them: what is stated twice would count twice")
    if document.noise and "noise" in signal:
        raise invalid("'noise' beside signal noise", "one of them: what is stated twice would count twice")
    if document.used_bandwidth and not (document.noise and document.noise_bandwidth):
        raise invalid("'used_bandwidth' without noise and noise_bandwidth", "all three")
    if document.used_bandwidth and document.used_bandwidth > document.noise_bandwidth:
        raise invalid("'used_bandwidth' above noise_bandwidth", "at most that at which the noise is stated")
    if (document.read_heads or 1) > 1 and document.measures != "rotation":
        raise invalid("'read_heads' on an encoder that measures translation", "1")
    check_installation(document.protection, document.operating_temperature)
    if document.multiturn and document.function != MULTI_TURN:
        raise invalid(f"'multiturn' of an encoder whose function is {document.function or 'not stated'}", MULTI_TURN)
    angles = document.read_head_angles
    if angles is not None and (document.read_heads is not None or len(angles) < 2 or len(angles) > MOST_HEADS):
        finding = f"{len(angles)} 'read_head_angles'" + (
            " beside read_heads" if document.read_heads is not None else ""
        )
        raise invalid(finding, f"from 2 to {MOST_HEADS} angles, without read_heads")
    mounted_with = document.summary and document.summary.mounted_with
    unsupported = [name for name in keys_present(mounted_with) if name not in ERROR_POWERS] if mounted_with else []
    if unsupported:
        raise invalid(f"'mounted_with' with {', '.join(unsupported)}", ", ".join(ERROR_POWERS))
    entries = [entry.offset_key for entry in document.misalignment_errors or ()]
    duplicates = [name for name in dict.fromkeys(entries) if entries.count(name) > 1]
    if duplicates:
        raise invalid(f"'misalignment_errors' of {', '.join(duplicates)} twice", "one of each")
    for entry in document.misalignment_errors or ():
        kind = "angle" if entry.offset_key in ANGULAR_OFFSETS else "length"
        if entry.offset.kind != kind:
            raise invalid(
                f"'misalignment_errors' of {entry.offset_key} at a {entry.offset.kind}", f"at: of the kind {kind}"
            )
    return document


EncoderDocument = extend_document(
    Encoder,
    "EncoderDocument",
    {
        "kind": (Literal["encoder"], ...),
        **document_fields(DataSheet),
        **document_fields(Body),
        **document_fields(Functions),
        "price": (Annotated[Any, PRICE], None),
        "error_curves": (BatchDocument | None, None),
    },
    {"whole": model_validator(mode="after")(_check_encoder)},
)


def build_encoder(
    document: Any, source: Source, key_path: KeyPath = (), entry: tuple[Source, KeyPath] | None = None
) -> Encoder:
    """Build the encoder of a document.

    Parameters
    ----------
    document : EncoderDocument
    source : Source
    key_path : key path
        Of the document in its source.
    entry : (source, key path), optional
        Place at which a catalogue states the encoder or its file; where not given, that of the document.

    Raises
    ------
    InputError
        A quantity that does not fit what is measured, or two statements that contradict each other.
    """
    context = Context(source, key_path, document.measures, f"on an encoder that measures {document.measures}")
    data: Any = source.data
    for step in key_path:
        data = data[step]
    steps = document.price or ((1, 0.0),)
    body = build(Body, document, context, outer_diameter=document.outer_diameter or 0.0)
    functions = build(Functions, document, context)
    prices: dict[str, Any] = {"price": steps[0][1], "price_steps": steps if len(steps) > 1 else ()}
    stated_encoder = build(Encoder, document, context, **prices, body=body, functions=functions)
    try:
        encoder = apply_data_sheet(build(DataSheet, document, context), stated_encoder, data)
    except Contradiction as error:
        raise source.error((*key_path, *error.key.split(".")), error.actual, error.accepted) from error
    encoder = _with_catalogue_entry(encoder, *(source.origin(key_path) if entry is None else entry))
    if document.error_curves is None:
        return encoder
    return replace(
        encoder, batch_curve=batch_curve(document.error_curves, encoder.rotary, source, (*key_path, "error_curves"))
    )


def _with_catalogue_entry(encoder: Encoder, catalogue: Source, key_path: KeyPath) -> Encoder:
    """Encoder with mass, diameter and interface of its entry in a catalogue, where it does not state them itself.

    Raises
    ------
    InputError
        No mass, or no diameter.
    """
    if catalogue.data.get("kind") != "catalogue" or key_path[:1] != ("encoders",) or key_path[2:] != ("encoder",):
        return encoder
    entry = catalogue.data["encoders"][key_path[1]]
    sizes: dict[str, float] = {}
    for name, kind in (("mass", "mass"), ("diameter", "length")):
        size = entry.get(name)
        if size is not None:
            try:
                sizes[name] = quantity(kind, least=0.0).read(size)
            except ValueError as error:
                raise catalogue.error(
                    (*key_path[:2], name), f"{size!r} is no {name}", units.accepted_units(kind)
                ) from error
    body, functions, interface = encoder.body, encoder.functions, entry.get("interface")
    if not body.outer_diameter:
        body = replace(body, outer_diameter=sizes.get("diameter", 0.0))
    if not functions.interface and isinstance(interface, str):
        functions = replace(functions, interface=" ".join(interface.split()))
    return replace(encoder, mass=encoder.mass or sizes.get("mass", 0.0), body=body, functions=functions)
