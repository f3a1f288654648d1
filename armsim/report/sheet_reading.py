"""How a data sheet was read: the numbers of the model, the errors at the shaft that they make, what was assumed."""

from __future__ import annotations

import numpy as np

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


def numbers(encoder: Encoder) -> list[tuple[str, str, str]]:
    """Key, what it was read as, where it came from."""
    return [(own.key, own.value, f"assumed: {own.how}" if own.assumed else own.how) for own in encoder.readings]


def errors(encoder: Encoder) -> list[tuple[str, str, str, str, str, str]]:
    """Every error term at the shaft: cause, life, shape, standard deviation, limit, the keys that it came from."""
    travel, farthest = TRAVEL[encoder.rotary]
    shaft, speed = Joint("shaft", encoder, travel=travel, farthest=farthest), SPEED[encoder.rotary][1]
    state = State(np.full(1, farthest), np.full(1, speed), np.zeros(1), np.zeros(1))
    unit = "rad" if encoder.rotary else "m"
    keys: dict[str, list[str]] = {}
    for path, key in stated(encoder):
        keys.setdefault(key.through or key.cause, []).append(path)
    keys["quantisation"] = [own.key for own in encoder.readings if own.key in ("interpolation", "resolution")]
    rows = []
    for term in shaft.terms():
        own = term_budget(term, Axis("shaft"), state)
        shape = orders(own.shape, own.orders, unit)
        origin = ", ".join(keys.get(own.cause, []))
        rows.append((own.cause, own.life, shape, show_joint(own.rms, unit), show_joint(own.limit, unit), origin))
    return rows


def not_stated(encoder: Encoder) -> list[str]:
    """Causes that the sheet does not tell and that are taken as absent."""
    told = {key.cause for _, key in stated(encoder)}
    periodic = {"signal offset", "amplitude mismatch", "phase error", "third harmonic"}
    if told & {"sub-divisional error", "stated accuracy"}:
        told |= periodic | {"sub-divisional error"}
    if told & periodic:
        told.add("sub-divisional error")
    if told & {"stated noise", "signal noise", "stated repeatability"}:
        told |= {"stated noise", "signal noise", "stated repeatability"}
    if told & {"stated accuracy", "graduation error"}:
        told |= {"stated accuracy", "graduation error"}
    own = "rotation" if encoder.rotary else "translation"
    causes = [f.key.cause for _, f in walk(Encoder) if f.key.cause and f.key.only in (None, own)]
    return list(dict.fromkeys(cause for cause in causes if cause not in told and cause != "quantisation"))
