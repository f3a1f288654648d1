"""Readings that are wrong, or were left out, in words."""

from __future__ import annotations

from collections.abc import Sequence

from armsim.calibration.calibration_records import OutlierRecord
from armsim.calibration.outlying_readings import MOST
from armsim.formatting import percent, show

SHOWN = 5
"""Readings of an arm that are named; the others are counted."""
METHOD = (
    "Single readings: each against what all others tell of it (deletion residual, studentised by its predicted "
    "covariance and, where the median of all is more than predicted, by that), the largest ranked among the largest of "
    "simulated arms. The worst is left out and the rest fitted again until none stands out, up to "
    f"{percent(MOST)} of the readings; whatever else is said is of the readings without those named."
)


def outlying(outliers: Sequence[OutlierRecord], crowded: bool, arm: str) -> str:
    """Readings of an arm that are wrong by all others; empty where there are none."""
    if crowded:
        many = f"more than {percent(MOST)} of the readings of {arm} stand out, too many to be called wrong"
        return f"{many}: the instrument, the visits or the arm are other than stated"
    named = [
        f"{own.file}, line {own.line} ({own.pose}): {show(own.distance)} from what all other readings tell "
        f"(expected {show(own.expected)})"
        for own in outliers[:SHOWN]
    ]
    more = [f"{len(outliers) - SHOWN} more"] if len(outliers) > SHOWN else []
    return "; ".join([*named, *more])


def left_out(excluded: Sequence[int]) -> list[str]:
    """Note of the lines that were left out on request."""
    if not excluded:
        return []
    word = "line" if len(excluded) == 1 else "lines"
    return [f"left out by --exclude: {word} {', '.join(map(str, excluded))}"]
