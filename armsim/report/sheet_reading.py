"""Interpretation of a data sheet: numbers of the model, resulting errors at the shaft, assumptions."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from armsim import causes
from armsim.causes import PART_OF, Cause
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import Axis
from armsim.field_spec import stated_causes, walk
from armsim.formatting import orders
from armsim.model.encoder import Encoder
from armsim.model.joint import Joint
from armsim.report.frame import Frame, joint_errors, words
from armsim.results import TermBudget
from armsim.sampling.joint_budgets import term_budget

SPEED = {True: ("1 rad/s", 1.0), False: ("0.1 m/s", 0.1)}
"""Speed at which motion-dependent errors are shown, by whether the sensor is rotary."""
TRAVEL = {True: (2 * np.pi, np.pi), False: (1.0, 1.0)}
"""Travel and farthest position for errors proportional to them, by whether the sensor is rotary."""

PERIODIC = frozenset((
    causes.SIGNAL_OFFSET, causes.AMPLITUDE_MISMATCH, causes.PHASE_ERROR, causes.THIRD_HARMONIC,
    causes.SUB_DIVISIONAL_ERROR,
))  # fmt: skip
SCATTER = frozenset((causes.STATED_NOISE, causes.SIGNAL_NOISE, causes.STATED_REPEATABILITY))
LONG_WAVES = frozenset((causes.STATED_ACCURACY, causes.GRADUATION_ERROR))
"""Causes of which stating one covers the others."""


def reading_frame(encoder: Encoder) -> Frame:
    """Table of the numbers that the model uses: key of the data sheet, value, origin."""
    readings = encoder.readings
    columns = (
        words("key", [reading.key for reading in readings]),
        words("value", [reading.value for reading in readings]),
        words("origin", [f"assumed: {reading.how}" if reading.assumed else reading.how for reading in readings]),
    )
    return Frame(columns, "data sheet as read")


class StatedTerm(NamedTuple):
    """An error term at the shaft and the keys of the data sheet that state it."""

    term: TermBudget
    keys: tuple[str, ...]


def stated_terms(encoder: Encoder) -> list[StatedTerm]:
    """Error terms of an encoder at the shaft, before mounting."""
    travel, farthest = TRAVEL[encoder.rotary]
    shaft, speed = Joint("shaft", encoder, travel=travel, farthest=farthest), SPEED[encoder.rotary][1]
    state = State(np.full(1, farthest), np.full(1, speed), np.zeros(1), np.zeros(1))
    keys: dict[Cause, list[str]] = {}
    for path, key in stated_causes(encoder):
        for cause in key.cause.reported_as if key.cause is not None else ():
            keys.setdefault(cause, []).append(path)
    keys[causes.QUANTISATION] = [
        reading.key for reading in encoder.readings if reading.key in ("interpolation", "resolution")
    ]
    return [
        StatedTerm(term_budget(term, Axis("shaft"), state), tuple(keys.get(term.cause, ()))) for term in shaft.terms()
    ]


def error_frame(encoder: Encoder) -> Frame:
    """Table of the error terms at the shaft, and the keys of the data sheet that state them."""
    unit = "rad" if encoder.rotary else "m"
    rows = stated_terms(encoder)
    terms = [row.term for row in rows]
    columns = (
        words("cause", [term.cause for term in terms]),
        words("part of", [PART_OF[term.life] for term in terms]),
        words("shape", [orders(term.shape, term.orders, unit) for term in terms]),
        joint_errors("standard uncertainty", [term.rms for term in terms], [unit] * len(terms)),
        joint_errors("worst case", [term.limit for term in terms], [unit] * len(terms)),
        words("stated by", [", ".join(row.keys) for row in rows]),
    )
    where_measured = "at the shaft" if encoder.rotary else "on a metre of travel"
    title = f"errors {where_measured}, before mounting; those that depend on speed at {SPEED[encoder.rotary][0]}"
    return Frame(columns, title)


def absent_causes(encoder: Encoder) -> list[str]:
    """Causes that the data sheet does not state and that are taken as zero."""
    covered = {causes.QUANTISATION, *(key.cause for _, key in stated_causes(encoder))}
    if covered & {causes.SUB_DIVISIONAL_ERROR, causes.STATED_ACCURACY}:
        covered |= PERIODIC
    if covered & PERIODIC:
        covered.add(causes.SUB_DIVISIONAL_ERROR)
    for equivalent_causes in (SCATTER, LONG_WAVES):
        if covered & equivalent_causes:
            covered |= equivalent_causes
    present = [field.key for _, field in walk(Encoder) if field.key.only in (None, encoder.measures)]
    return list(dict.fromkeys(str(key.cause) for key in present if key.cause is not None and key.cause not in covered))
