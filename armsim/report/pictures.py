"""Optional parts of a review: pictures by section, and further analyses of a run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from armsim.report.document import Picture

if TYPE_CHECKING:
    from armsim.decide.live_budget import LiveBudgets
    from armsim.decide.trade_off import TradeOff
    from armsim.decide.what_if import WhatIfs


@dataclass(frozen=True)
class Extras:
    """Further analyses of a run: what-ifs, trade-off, workbook; notes of the designer."""

    what_ifs: WhatIfs | None = None
    trade_off: TradeOff | None = None
    live_budgets: LiveBudgets | None = None
    notes: tuple[str, ...] = ()


NO_EXTRAS = Extras()

Pictures = Mapping[str, Sequence[Picture]]
"""Pictures by the anchor of their section."""
