"""Tables of a data sheet: numbers of the model, resulting errors at the shaft."""

from __future__ import annotations

from armsim.causes import QUALITY_BY_LIFE
from armsim.formatting import describe_shape
from armsim.inspection.data_sheet import SHOWN_SPEED, stated_terms
from armsim.model.encoder import Encoder
from armsim.report.frame import Frame, joint_errors, words


def reading_frame(encoder: Encoder) -> Frame:
    """Table of the numbers that the model uses: key of the data sheet, value, origin."""
    readings = encoder.value_origins
    columns = (
        words("key", [reading.key for reading in readings]),
        words("value", [reading.value for reading in readings]),
        words("origin", [f"assumed: {reading.origin}" if reading.assumed else reading.origin for reading in readings]),
    )
    return Frame(columns, "data sheet as read")


def error_frame(encoder: Encoder) -> Frame:
    """Table of the error terms at the shaft, and the keys of the data sheet that state them."""
    unit = "rad" if encoder.rotary else "m"
    rows = stated_terms(encoder)
    terms = [row.term for row in rows]
    columns = (
        words("cause", [term.cause for term in terms]),
        words("part of", [QUALITY_BY_LIFE[term.life] for term in terms]),
        words("shape", [describe_shape(term.shape, term.orders, unit) for term in terms]),
        joint_errors("standard uncertainty", [term.rms for term in terms], [unit] * len(terms)),
        joint_errors("worst case", [term.limit for term in terms], [unit] * len(terms)),
        words("stated by", [", ".join(row.keys) for row in rows]),
    )
    where_measured = "at the shaft" if encoder.rotary else "on a metre of travel"
    speed = f"{SHOWN_SPEED[encoder.rotary]:g} {unit}/s"
    title = f"errors {where_measured}, before mounting; those that depend on speed at {speed}"
    return Frame(columns, title)
