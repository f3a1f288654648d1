"""Figures: each a pure function of results, a matplotlib Figure out."""

from armsim.figures.budget import error_budget
from armsim.figures.joint import joint_error
from armsim.figures.maps import error_map
from armsim.figures.population import population, pose_errors

__all__ = ["error_budget", "error_map", "joint_error", "population", "pose_errors"]
