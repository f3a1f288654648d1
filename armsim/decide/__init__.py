"""Deciding between designs. All of it stands on the terms and poses of the Monte Carlo."""

from armsim.decide.compare import Comparison, compare

__all__ = ["Comparison", "compare"]
