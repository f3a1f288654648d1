"""Figures: each a pure function of results, a matplotlib Figure out."""

from armsim.figures.budget import error_budget
from armsim.figures.maps import error_map
from armsim.figures.population import population, pose_errors

__all__ = ["error_budget", "error_map", "population", "pose_errors"]
