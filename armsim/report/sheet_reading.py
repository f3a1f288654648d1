"""How a data sheet was read: the numbers of the model, the errors at the shaft that they make, what was assumed."""

from __future__ import annotations

import numpy as np

from armsim import causes
from armsim.causes import Cause
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import Axis
from armsim.field_spec import stated, walk
from armsim.formatting import orders, show_joint
from armsim.model.encoder import Encoder
from armsim.model.joint import Joint
from armsim.sampling.joint_budgets import term_budget

SPEED = {True: ("1 rad/s", 1.0), False: ("0.1 m/s", 0.1)}
"""At which errors that need motion are shown, by whether the sensor is rotary."""
TRAVEL = {True: (2 * np.pi, np.pi), False: (1.0, 1.0)}
"""Travel, and farthest position, at which errors in proportion to it are shown; a linear axis as a metre long."""

PERIODIC = frozenset((
    causes.SIGNAL_OFFSET, causes.AMPLITUDE_MISMATCH, causes.PHASE_ERROR, causes.THIRD_HARMONIC,
    causes.SUB_DIVISIONAL_ERROR,
))  # fmt: skip
SCATTER = frozenset((causes.STATED_NOISE, causes.SIGNAL_NOISE, causes.STATED_REPEATABILITY))
LONG_WAVES = frozenset((causes.STATED_ACCURACY, causes.GRADUATION_ERROR))
"""Causes of which a sheet that states one leaves nothing untold of the others."""


def numbers(encoder: Encoder) -> list[tuple[str, str, str]]:
    """Key, what it was read as, where it came from."""
    return [(own.key, own.value, f"assumed: {own.how}" if own.assumed else own.how) for own in encoder.readings]


def errors(encoder: Encoder) -> list[tuple[str, str, str, str, str, str]]:
    """Every error term at the shaft: cause, life, shape, standard deviation, limit, the keys that it came from."""
    travel, farthest = TRAVEL[encoder.rotary]
    shaft, speed = Joint("shaft", encoder, travel=travel, farthest=farthest), SPEED[encoder.rotary][1]
    state = State(np.full(1, farthest), np.full(1, speed), np.zeros(1), np.zeros(1))
    unit = "rad" if encoder.rotary else "m"
    keys: dict[Cause, list[str]] = {}
    for path, key in stated(encoder):
        for cause in key.cause.shown_as if key.cause is not None else ():
            keys.setdefault(cause, []).append(path)
    keys[causes.QUANTISATION] = [own.key for own in encoder.readings if own.key in ("interpolation", "resolution")]
    rows = []
    for term in shaft.terms():
        budget = term_budget(term, Axis("shaft"), state)
        shape, origin = orders(budget.shape, budget.orders, unit), ", ".join(keys.get(term.cause, []))
        sizes = show_joint(budget.rms, unit), show_joint(budget.limit, unit)
        rows.append((budget.cause, budget.life, shape, *sizes, origin))
    return rows


def not_stated(encoder: Encoder) -> list[str]:
    """Causes that the sheet does not tell and that are taken as absent."""
    known = {causes.QUANTISATION, *(key.cause for _, key in stated(encoder))}
    if known & {causes.SUB_DIVISIONAL_ERROR, causes.STATED_ACCURACY}:
        known |= PERIODIC
    if known & PERIODIC:
        known.add(causes.SUB_DIVISIONAL_ERROR)
    for alike in (SCATTER, LONG_WAVES):
        if known & alike:
            known |= alike
    present = [field.key for _, field in walk(Encoder) if field.key.only in (None, encoder.measures)]
    return list(dict.fromkeys(str(key.cause) for key in present if key.cause is not None and key.cause not in known))
