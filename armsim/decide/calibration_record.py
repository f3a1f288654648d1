"""What `armsim calibrate` prints as JSON. SI units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from armsim.calibration.calibration_records import (
    CauseLeftRecord,
    ConfoundedRecord,
    CurvePointRecord,
    IdentifiedArmRecord,
    MeasuredPoseRecord,
    ParameterRecord,
    StepRecord,
)
from armsim.decide.decision_records import ComparisonRecord


@dataclass(frozen=True)
class CalibrateRecord:
    """Of `armsim calibrate`.

    ``beyond_linear``: rms over arms and poses of what exact identification leaves other than linear identification.
    ``uncorrectable``: poses of the tasks at which the joints cannot bring about a correction in every direction.
    """

    scenario: str
    visits: int
    units: int
    prior: bool
    parameters: tuple[ParameterRecord, ...]
    confounded: tuple[ConfoundedRecord, ...]
    observability: dict[str, float]
    poses: tuple[MeasuredPoseRecord, ...]
    candidates: int
    curve: tuple[CurvePointRecord, ...]
    steps: tuple[StepRecord, ...]
    causes: tuple[CauseLeftRecord, ...]
    rounds: int
    beyond_linear: float
    uncorrectable: tuple[str, ...]
    comparison: ComparisonRecord
    arms: tuple[IdentifiedArmRecord, ...] = ()
    format: Literal["armsim-calibrate/1"] = "armsim-calibrate/1"


RECORDS: dict[str, type] = {"calibrate": CalibrateRecord}
"""By the name under which `armsim schema` prints their schema."""
