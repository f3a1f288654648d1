"""Decisions between designs, based on the terms and poses of the Monte Carlo."""

from armsim.decide.allocate import allocate
from armsim.decide.compare import Comparison, compare
from armsim.decide.error_budget import Allocation
from armsim.decide.select import select
from armsim.decide.selection import Selection
from armsim.decide.sensitivity import Sensitivities, sensitivities
from armsim.decide.sweep import Sweep, sweep
from armsim.decide.trade_off import TradeOff, trade_off
from armsim.decide.what_if import WhatIfs, what_if

__all__ = [
    "Allocation",
    "Comparison",
    "Selection",
    "Sensitivities",
    "Sweep",
    "TradeOff",
    "WhatIfs",
    "allocate",
    "compare",
    "select",
    "sensitivities",
    "sweep",
    "trade_off",
    "what_if",
]
