"""Interpretation of a data sheet: numbers of the model, resulting errors at the shaft, assumptions."""

from __future__ import annotations

import numpy as np

from armsim import causes
from armsim.causes import Cause
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import Axis
from armsim.field_spec import stated_causes, walk
from armsim.formatting import orders, show_joint
from armsim.model.encoder import Encoder
from armsim.model.joint import Joint
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


def numbers(encoder: Encoder) -> list[tuple[str, str, str]]:
    """Rows of the model's numbers: key, value, origin."""
    return [
        (reading.key, reading.value, f"assumed: {reading.how}" if reading.assumed else reading.how)
        for reading in encoder.readings
    ]


def errors(encoder: Encoder) -> list[tuple[str, str, str, str, str, str]]:
    """Rows of error terms at the shaft: cause, life, shape, standard deviation, limit, keys of origin."""
    travel, farthest = TRAVEL[encoder.rotary]
    shaft, speed = Joint("shaft", encoder, travel=travel, farthest=farthest), SPEED[encoder.rotary][1]
    state = State(np.full(1, farthest), np.full(1, speed), np.zeros(1), np.zeros(1))
    unit = "rad" if encoder.rotary else "m"
    keys: dict[Cause, list[str]] = {}
    for path, key in stated_causes(encoder):
        for cause in key.cause.reported_as if key.cause is not None else ():
            keys.setdefault(cause, []).append(path)
    keys[causes.QUANTISATION] = [
        reading.key for reading in encoder.readings if reading.key in ("interpolation", "resolution")
    ]
    rows = []
    for term in shaft.terms():
        budget = term_budget(term, Axis("shaft"), state)
        shape, origin = orders(budget.shape, budget.orders, unit), ", ".join(keys.get(term.cause, []))
        sizes = show_joint(budget.rms, unit), show_joint(budget.limit, unit)
        rows.append((budget.cause, budget.life, shape, *sizes, origin))
    return rows


def absent_causes(encoder: Encoder) -> list[str]:
    """Causes that the data sheet does not state and that are taken as zero."""
    covered = {causes.QUANTISATION, *(key.cause for _, key in stated_causes(encoder))}
    if covered & {causes.SUB_DIVISIONAL_ERROR, causes.STATED_ACCURACY}:
        covered |= PERIODIC
    if covered & PERIODIC:
        covered.add(causes.SUB_DIVISIONAL_ERROR)
    for alike in (SCATTER, LONG_WAVES):
        if covered & alike:
            covered |= alike
    present = [field.key for _, field in walk(Encoder) if field.key.only in (None, encoder.measures)]
    return list(dict.fromkeys(str(key.cause) for key in present if key.cause is not None and key.cause not in covered))
