"""Results: frozen classes, the table of poses, reading and writing of results.json."""

from armsim.results.joints import (
    Assumption,
    CurveDetail,
    JointBudget,
    JointCurve,
    JointMotion,
    OperationLimit,
    Ripple,
    TermBudget,
)
from armsim.results.result import FORMAT, NEAR_SINGULAR, Adaptive, MapOf, Result, TaskResult
from armsim.results.summary import (
    Acceptance,
    Contribution,
    Grid,
    Measure,
    Reversal,
    Summary,
    UnitDistribution,
    Unreachable,
    Within,
    Yield,
    YieldCurve,
)

__all__ = [
    "FORMAT",
    "NEAR_SINGULAR",
    "Acceptance",
    "Adaptive",
    "Assumption",
    "Contribution",
    "CurveDetail",
    "Grid",
    "JointBudget",
    "JointCurve",
    "JointMotion",
    "MapOf",
    "Measure",
    "OperationLimit",
    "Result",
    "Reversal",
    "Ripple",
    "Summary",
    "TaskResult",
    "TermBudget",
    "UnitDistribution",
    "Unreachable",
    "Within",
    "Yield",
    "YieldCurve",
]
