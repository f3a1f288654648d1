"""Deciding between designs. All of it stands on the terms and poses of the Monte Carlo."""

from armsim.decide.compare import Comparison, compare
from armsim.decide.whatif import WhatIfs, what_if

__all__ = ["Comparison", "WhatIfs", "compare", "what_if"]
