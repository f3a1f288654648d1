"""Columns of the pose table: statistics of the samples, and figures of the first order."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from armsim.arrays import Array
from armsim.core.pose_kernel import PoseOutputs, PoseQuery
from armsim.model.machine import EvaluatedMachine, Machine
from armsim.results.pose_table import PoseTable
from armsim.results.poses import BIAS
from armsim.sampling import statistics as stats
from armsim.sampling.first_order import FirstOrderErrors
from armsim.sampling.kernel_arrays import DISTANCE, ROTATION, quantile_query
from armsim.sampling.validation import validate
from armsim.sampling_plan import SamplingPlan


class Quantile(NamedTuple):
    """Quantile of a counted measure in the pose table; ``with_interval`` if an interval is estimated too."""

    path: str
    measure: int
    p: float
    with_interval: bool = False


QUANTILES = (
    Quantile("error.p50", DISTANCE, 0.5),
    Quantile("error.p95", DISTANCE, 0.95, with_interval=True),
    Quantile("error.p99", DISTANCE, 0.99),
    Quantile("orientation_error.p95", ROTATION, 0.95),
)
FIGURES = ("accuracy", "repeatability", "orientation_accuracy", "orientation_repeatability")
"""Figures of every unit, in the order of `core.unit_figures`."""
UNIT_QUANTILES = (0.5, 0.95)
COVERAGE_ENDS = (0.025, 0.975)
"""Probabilities of the ends of a coordinate's coverage interval."""


def share_names(machine: Machine) -> tuple[tuple[str, str], ...]:
    """Owner and cause of every share without duplicates, the bias last."""
    return (*dict.fromkeys(term.share_name for term in machine.terms), BIAS)


def conditioning(machine: Machine, joints: Array) -> Array:
    """Smallest over largest singular value of the Jacobian, lengths in reaches of the arm, shape (P,).

    For an arm with fewer than six joints, over the singular values that it has.
    Source: Yoshikawa, Int. J. Robotics Research 4 (1985) 3.

    Parameters
    ----------
    machine : Machine
    joints : (P, joints) [rad or m]

    Returns
    -------
    (P,)
        0 (singular) to 1.
    """
    postures = machine.arm.postures(joints)
    reach = machine.arm.reach or 1.0  # an arm without any length is evaluated by rotations alone
    rotation_axes = np.where(postures.rotary[:, None], postures.direction, 0.0)
    scale = np.where(postures.rotary, 1.0, reach)
    jacobian = np.concatenate([postures.column / reach, rotation_axes], axis=2) * scale[:, None]
    values = np.linalg.svd(jacobian, compute_uv=False)
    return np.divide(values[:, -1], values[:, 0], out=np.zeros(len(values)), where=values[:, 0] > 0)


def fill_first_order(
    table: PoseTable, machine: Machine, joints: Array, evaluated: EvaluatedMachine, first_order: FirstOrderErrors
) -> None:
    """Fill the columns that need no sample.

    Parameters
    ----------
    table : PoseTable
        Written to.
    machine : Machine
    joints : (poses, joints) [rad or m]
    evaluated : EvaluatedMachine
    first_order : FirstOrderErrors
    """
    column, names = table.column, {name: i for i, name in enumerate(table.share_names)}
    poses = len(joints)
    column("joints")[:] = joints
    column("conditioning")[:] = conditioning(machine, joints)
    column("position")[:] = evaluated.postures.tool[:, :3, 3]
    column("first_order.mean")[:] = first_order.mean
    column("first_order.rms")[:] = np.sqrt(first_order.mean_square)
    column("first_order.covariance")[:] = first_order.covariance
    shares = column("shares")
    shares[:] = 0.0
    for term, contribution in zip(evaluated.terms, first_order.contributions, strict=True):
        shares[:, names[term.share_name]] += contribution
    shares[:, names[BIAS]] = np.sum(first_order.mean**2, axis=1)
    bias_shares, cause_means = column("bias_shares"), column("cause_means")
    bias_shares[:], cause_means[:] = 0.0, 0.0
    for term, contribution, mean in zip(
        evaluated.terms, first_order.bias_contributions, first_order.means, strict=True
    ):
        bias_shares[:, names[term.share_name]] += contribution
        cause_means[:, names[term.share_name]] += mean
    lives = zip(evaluated.terms, first_order.contributions, strict=True)
    visit_contributions = [contribution for term, contribution in lives if term.life == "visit"]
    total = np.sum(shares, axis=1, keepdims=True)
    visit_contribution = sum(
        visit_contributions, np.zeros(poses)
    )  # in sequence: numpy would sum in another order at a single pose
    column("visit_share")[:] = np.divide(visit_contribution, total[:, 0], out=np.zeros(poses), where=total[:, 0] > 0)
    for contributions in (shares, bias_shares):
        np.divide(contributions, total, out=contributions, where=total > 0)


def pose_query(coverage: float, plan: SamplingPlan) -> PoseQuery:
    """Statistics read at every pose: quantiles in the order of `_order`, the one at the coverage, ranks of units.

    Parameters
    ----------
    coverage : float
    plan : SamplingPlan

    Returns
    -------
    PoseQuery
    """
    quantiles = [*QUANTILES, *_coverage_quantiles(coverage)]
    ordered = [quantiles[i] for i in _order(quantiles)]
    columns = [row.measure for row in ordered], [row.p for row in ordered], [row.with_interval for row in ordered]
    coverage_column = [DISTANCE], [coverage], [False]
    return PoseQuery(
        quantile_query(*columns, plan.units, plan.visits),
        quantile_query(*coverage_column, plan.units, plan.visits),
        stats.TAIL,
        np.unique(stats.quantile_ranks(plan.units, UNIT_QUANTILES)),
    )


def _coverage_quantiles(coverage: float) -> list[Quantile]:
    """Quantiles of distance and rotation angle at the coverage, and the ends of the interval of every coordinate."""
    ends = [Quantile("", 2 + axis, p, with_interval=True) for axis in range(3) for p in COVERAGE_ENDS]
    return [
        Quantile("error.at_coverage", DISTANCE, coverage, with_interval=True),
        Quantile("orientation_error.at_coverage", ROTATION, coverage, with_interval=True),
        *ends,
    ]


def _order(quantiles: Sequence[Quantile]) -> list[int]:
    """Order of quantiles by measure, as the kernels read them."""
    return sorted(range(len(quantiles)), key=lambda i: quantiles[i].measure)


def fill_sampled(
    table: PoseTable, first_order: FirstOrderErrors, outputs: PoseOutputs, plan: SamplingPlan, half_width: Array
) -> None:
    """Fill the columns of sample statistics.

    Parameters
    ----------
    table : PoseTable
        Written to.
    first_order : FirstOrderErrors
    outputs : PoseOutputs
    plan : SamplingPlan
    half_width : (poses,)
        Half of the 95 % interval of the integration of RP. [m]
    """
    poses = len(table)

    def put(path: str, values: Any) -> None:
        table.column(path)[:] = values

    quantiles = [*QUANTILES, *_coverage_quantiles(0.0)]
    requested_order = np.argsort(_order(quantiles))
    estimates = outputs.estimates[:, :, requested_order]
    sums = outputs.sums / (plan.units * plan.visits)
    mean, covariance = centred_moments(sums[:, :9], first_order.mean)
    square = stats.means_from_moments(outputs.moments, plan.units)
    put("error.mean", mean)
    put("error.covariance", covariance)
    put("error.rms", np.sqrt(square[:, 0]))
    put("error.rms_interval", np.sqrt(square[:, 1:]))
    put("error.max", outputs.largest)
    put("orientation_error.rms", np.sqrt(sums[:, 9]))
    put("integration", half_width)
    for i, row in enumerate(quantiles):
        if row.path:
            put(row.path, estimates[:, 0, i])
        if row.path and row.with_interval:
            put(f"{row.path}_interval", estimates[:, 1:, i])
    ranks = stats.quantile_ranks(plan.units, UNIT_QUANTILES)
    order_statistics = outputs.order_statistics[:, :, np.searchsorted(np.unique(ranks), ranks)]
    for i, path in enumerate(FIGURES):
        widths = half_width if path == "repeatability" else np.zeros(poses)
        over_units = stats.quantiles_at_ranks(order_statistics[:, i], plan.units, UNIT_QUANTILES, widths)
        for k, name in enumerate(("p50", "p95")):
            put(f"{path}.{name}", over_units[:, k, 0])
            put(f"{path}.{name}_interval", over_units[:, k, 1:])
    coordinate_intervals = np.moveaxis(estimates[:, :, -6:], 1, 2).reshape(poses, 3, 2, 3)
    validation = validate(
        first_order.mean, first_order.covariance, coordinate_intervals[..., 0], coordinate_intervals[..., 1:]
    )
    parts: Any = table.column("first_order.validation")
    for name, values in validation.items():
        parts[name] = values
    if outputs.batches.shape[1] > 1:
        batches = outputs.batches
        put("error.at_coverage_doubt", 2.0 * np.std(batches, axis=1, ddof=1) / math.sqrt(batches.shape[1]))


def centred_moments(moments: Array, centre: Array) -> tuple[Array, Array]:
    """Mean and covariance from means of x, y, z, xx, yy, zz, xy, xz, yz about a centre.

    Parameters
    ----------
    moments : (poses, 9)
    centre : (poses, 3)

    Returns
    -------
    mean : (poses, 3) [m]
    covariance : (poses, 3, 3) [m^2]
        Without a negative eigenvalue.
    """
    offset = moments[:, :3]
    squares = moments[:, [3, 6, 7, 6, 4, 8, 7, 8, 5]].reshape(-1, 3, 3)
    covariance = squares - offset[:, :, None] * offset[:, None, :]
    values, vectors = np.linalg.eigh(covariance)
    negative = values[:, 0] < 0.0  # by rounding, where there is no scatter
    if negative.any():
        axes = vectors[negative]
        lifted = (axes * np.maximum(values[negative], 0.0)[:, None, :]) @ np.swapaxes(axes, 1, 2)
        covariance[negative] = 0.5 * (lifted + np.swapaxes(lifted, 1, 2))
    return centre + offset, covariance
