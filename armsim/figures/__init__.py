"""Figures: each a pure function of results, a matplotlib Figure out."""

from armsim.figures.arm import arm
from armsim.figures.budget import error_budget
from armsim.figures.compare import difference_map, differences
from armsim.figures.contributions import dominant_joint, group_share
from armsim.figures.ellipses import error_ellipses, view
from armsim.figures.joints import alike, has_waves, joint_errors, joint_waves
from armsim.figures.maps import error_map, layers
from armsim.figures.motion import smoothness
from armsim.figures.path import distribution, path_error
from armsim.figures.population import population, pose_errors, yield_curve
from armsim.figures.sweep import sweep
from armsim.figures.tradeoff import trade_off
from armsim.figures.volume import volume

__all__ = [
    "alike",
    "arm",
    "difference_map",
    "differences",
    "distribution",
    "dominant_joint",
    "error_budget",
    "error_ellipses",
    "error_map",
    "group_share",
    "has_waves",
    "joint_errors",
    "joint_waves",
    "layers",
    "path_error",
    "population",
    "pose_errors",
    "smoothness",
    "sweep",
    "trade_off",
    "view",
    "volume",
    "yield_curve",
]
