"""Interpretation of a data sheet: numbers of the model, errors at the shaft, causes that it does not state."""

from __future__ import annotations

from functools import reduce
from typing import Any, NamedTuple

import numpy as np

from armsim import causes
from armsim.causes import Cause
from armsim.documents.from_spec import KINDS_BY_MEASURES, quantity_kinds
from armsim.documents.units import DIMENSIONS
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import Axis
from armsim.field_spec import stated_causes, walk
from armsim.model.encoder import Encoder, ValueOrigin
from armsim.model.joint import Joint
from armsim.results import TermBudget
from armsim.sampling.joint_budgets import term_budget

SHOWN_SPEED = {True: 1.0, False: 0.1}
"""Speed at which motion-dependent errors are shown, by whether the sensor is rotary. [rad/s or m/s]"""
SHOWN_TRAVEL = {True: (2 * np.pi, np.pi), False: (1.0, 1.0)}
"""Travel and farthest position for errors proportional to them, by whether the sensor is rotary."""

PERIODIC_CAUSES = frozenset((
    causes.SIGNAL_OFFSET, causes.AMPLITUDE_MISMATCH, causes.PHASE_ERROR, causes.THIRD_HARMONIC,
    causes.SUB_DIVISIONAL_ERROR,
))  # fmt: skip
SCATTER_CAUSES = frozenset((causes.STATED_NOISE, causes.SIGNAL_NOISE, causes.STATED_REPEATABILITY))
LONG_WAVE_CAUSES = frozenset((causes.STATED_ACCURACY, causes.GRADUATION_ERROR))
"""Causes of which stating one covers the others."""


class StatedTerm(NamedTuple):
    """An error term at the shaft and the keys of the data sheet that state it."""

    term: TermBudget
    keys: tuple[str, ...]


def stated_terms(encoder: Encoder) -> list[StatedTerm]:
    """Error terms of an encoder at the shaft, before mounting."""
    travel, farthest = SHOWN_TRAVEL[encoder.rotary]
    shaft, speed = Joint("shaft", encoder, travel=travel, farthest=farthest), SHOWN_SPEED[encoder.rotary]
    state = State(np.full(1, farthest), np.full(1, speed), np.zeros(1), np.zeros(1))
    keys: dict[Cause, list[str]] = {}
    for path, key in stated_causes(encoder):
        for cause in key.cause.reported_as if key.cause is not None else ():
            keys.setdefault(cause, []).append(path)
    keys[causes.QUANTISATION] = [
        value_origin.key
        for value_origin in encoder.value_origins
        if value_origin.key in ("interpolation", "resolution")
    ]
    return [
        StatedTerm(term_budget(term, Axis("shaft"), state), tuple(keys.get(term.cause, ()))) for term in shaft.terms()
    ]


def absent_causes(encoder: Encoder) -> list[str]:
    """Causes that the data sheet does not state and that are taken as zero."""
    covered = {causes.QUANTISATION, *(key.cause for _, key in stated_causes(encoder))}
    if not encoder.needs_reference_run:
        covered.add(causes.HOMING)
    if covered & {causes.SUB_DIVISIONAL_ERROR, causes.STATED_ACCURACY}:
        covered |= PERIODIC_CAUSES
    if covered & PERIODIC_CAUSES:
        covered.add(causes.SUB_DIVISIONAL_ERROR)
    for equivalent_causes in (SCATTER_CAUSES, LONG_WAVE_CAUSES):
        if covered & equivalent_causes:
            covered |= equivalent_causes
    present = [field.key for _, field in walk(Encoder) if field.key.only in (None, encoder.measures)]
    return list(dict.fromkeys(str(key.cause) for key in present if key.cause is not None and key.cause not in covered))


class ModelNumber(NamedTuple):
    """Number of the model that a reading of a data sheet states: its unit, and its value or, of a tolerance, its rms.

    Both are None where the reading is no number.
    """

    value: float | None
    rms: float | None
    unit: str


def model_number(encoder: Encoder, value_origin: ValueOrigin) -> ModelNumber:
    """Number of the model behind a reading of a data sheet, in SI units."""
    field = next((field for path, field in walk(Encoder) if path == value_origin.key), None)
    if field is None or field.many:
        return ModelNumber(None, None, "")
    value: Any = reduce(getattr, value_origin.key.split("."), encoder)
    value = getattr(value, "spread", value)
    kind = KINDS_BY_MEASURES.get(field.key.kind, {}).get(encoder.measures, quantity_kinds(field.key))[0]
    unit = DIMENSIONS.get(kind, ("",))[0].replace("one", "")
    is_number = isinstance(value, int | float) and not isinstance(value, bool) and bool(value)
    return ModelNumber(value if is_number else None, getattr(value, "rms", None), unit)
