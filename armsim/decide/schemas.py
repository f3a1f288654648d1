"""Result classes by the name under which `armsim schema` prints their JSON schema."""

from __future__ import annotations

from typing import Any

from armsim.calibration.curve_analysis import Curves
from armsim.calibration.verify import Verified
from armsim.decide.calibration_study import Calibrated
from armsim.decide.compare import Comparison
from armsim.decide.error_budget import Allocation
from armsim.decide.selection import Selection
from armsim.decide.sensitivity import Sensitivities
from armsim.decide.sweep import Sweep
from armsim.decide.trade_off import TradeOff
from armsim.decide.what_if import WhatIfs
from armsim.inspection.check_records import CheckedFiles

RECORDS: dict[str, Any] = {
    "comparison": Comparison,
    "what-if": WhatIfs,
    "allocation": Allocation,
    "trade-off": TradeOff,
    "selection": Selection,
    "sweep": Sweep,
    "sensitivity": Sensitivities,
    "curve": Curves,
    "verify": Verified,
    "calibrate": Calibrated,
    "check": CheckedFiles,
}
