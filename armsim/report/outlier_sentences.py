"""Sentences on outlying and excluded readings."""

from __future__ import annotations

from collections.abc import Sequence

from armsim.calibration.calibration_records import OutlierRecord
from armsim.calibration.outlying_readings import MAX_OUTLIER_SHARE
from armsim.formatting import percent, show

SHOWN = 5
"""Most readings of an arm that are named; the others are counted."""
METHOD = (
    "Single readings: each is compared with its prediction by all others (deletion residual, studentised by the "
    "predicted covariance; by the median of all residuals where that is larger). The largest is ranked among the "
    "largest of simulated arms. The worst reading is excluded and the others fitted again until none stands out, "
    f"up to {percent(MAX_OUTLIER_SHARE)} of the readings. All other results are of the readings without those named."
)


def outlying(outliers: Sequence[OutlierRecord], crowded: bool, arm: str) -> str:
    """Sentence on the outlying readings of an arm; empty if there are none."""
    if crowded:
        too_many = (
            f"more than {percent(MAX_OUTLIER_SHARE)} of the readings of {arm} stand out, too many to be called wrong"
        )
        return f"{too_many}: the instrument, the visits or the arm are other than stated"
    named = [
        f"{outlier.file}, line {outlier.line} ({outlier.pose}): {_size(outlier, outlier.distance)} from its "
        f"prediction by all other readings ({_size(outlier, outlier.expected_distance)} expected)"
        for outlier in outliers[:SHOWN]
    ]
    further = [f"{len(outliers) - SHOWN} more"] if len(outliers) > SHOWN else []
    return "; ".join([*named, *further])


def _size(outlier: OutlierRecord, value: float) -> str:
    """A length in words, or an angle if the orientation of the reading is outlying."""
    return show(value, "rad" if outlier.orientation else "m")


def exclusion_note(excluded: Sequence[int]) -> list[str]:
    """Note on lines excluded by ``--exclude``."""
    if not excluded:
        return []
    word = "line" if len(excluded) == 1 else "lines"
    return [f"left out by --exclude: {word} {', '.join(map(str, excluded))}"]
