"""What a review is made of beside the result: pictures by section, and what was worked out beside the run."""

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
    """What was worked out beside the run itself."""

    what_ifs: WhatIfs | None = None
    curve: TradeOff | None = None
    budgets: LiveBudgets | None = None


NOTHING_MORE = Extras()

Pictures = Mapping[str, Sequence[Picture]]
"""Pictures by the anchor of the section in which they stand."""
