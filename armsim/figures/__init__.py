"""Figures: each is a pure function of results that returns a matplotlib Figure."""

from armsim.figures.allocation_figure import allocation
from armsim.figures.arm_sketch import arm
from armsim.figures.comparison_figures import difference_map, differences
from armsim.figures.contribution_bars import error_budget
from armsim.figures.contribution_maps import dominant_joint, group_share
from armsim.figures.deflection_figure import deflection
from armsim.figures.ellipses import error_ellipses, view
from armsim.figures.gauges import gauges, judgement_gauges, required
from armsim.figures.joint_error_figures import has_waves, identical_joints, joint_error, joint_errors, joint_waves
from armsim.figures.maps import error_map, layers
from armsim.figures.path_figures import distribution, path_error
from armsim.figures.population_figures import arms, population, pose_errors, yield_curve
from armsim.figures.ripple_figures import smoothness
from armsim.figures.sensor_difference_figures import identical_pairs, sensor_differences
from armsim.figures.sweep_figure import sweep
from armsim.figures.trade_off_figure import trade_off
from armsim.figures.volume import volume

__all__ = [
    "allocation",
    "arm",
    "arms",
    "deflection",
    "difference_map",
    "differences",
    "distribution",
    "dominant_joint",
    "error_budget",
    "error_ellipses",
    "error_map",
    "gauges",
    "group_share",
    "has_waves",
    "identical_joints",
    "identical_pairs",
    "joint_error",
    "joint_errors",
    "joint_waves",
    "judgement_gauges",
    "layers",
    "path_error",
    "population",
    "pose_errors",
    "required",
    "sensor_differences",
    "smoothness",
    "sweep",
    "trade_off",
    "view",
    "volume",
    "yield_curve",
]
