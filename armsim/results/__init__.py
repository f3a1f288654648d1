"""Results: frozen classes, the table of poses, reading and writing of results.json.

Names are imported on first use: a process that only samples needs the table of poses, not records and schemas.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from armsim.results.joints import (
        Assumption,
        CurveDetail,
        ErrorMotionBudget,
        JointBudget,
        JointCurve,
        JointMotion,
        OperationLimit,
        PositionSource,
        Ripple,
        SensorDifference,
        TermBudget,
        TwoSensors,
    )
    from armsim.results.result import FORMAT, NEAR_SINGULAR, Convergence, MapQuantity, Result, TaskResult
    from armsim.results.summary import (
        Acceptance,
        Contribution,
        DeflectedJoint,
        Deflection,
        Grid,
        Measure,
        PosesWithinLimit,
        Reversal,
        Summary,
        UnitDistribution,
        Unreachable,
        Yield,
        YieldCurve,
    )

__all__ = [
    "FORMAT",
    "NEAR_SINGULAR",
    "Acceptance",
    "Assumption",
    "Contribution",
    "Convergence",
    "CurveDetail",
    "DeflectedJoint",
    "Deflection",
    "ErrorMotionBudget",
    "Grid",
    "JointBudget",
    "JointCurve",
    "JointMotion",
    "MapQuantity",
    "Measure",
    "OperationLimit",
    "PosesWithinLimit",
    "PositionSource",
    "Result",
    "Reversal",
    "Ripple",
    "SensorDifference",
    "Summary",
    "TaskResult",
    "TermBudget",
    "TwoSensors",
    "UnitDistribution",
    "Unreachable",
    "Yield",
    "YieldCurve",
]

MODULES = ("summary", "joints", "result")
"""Modules of these names, the lightest first."""


def __getattr__(name: str) -> Any:
    for module in MODULES if name in __all__ else ():
        value = getattr(import_module(f"{__name__}.{module}"), name, None)
        if value is not None:
            return value
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
