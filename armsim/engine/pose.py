"""All that is known of poses, from their samples and their first order, as rows of a table."""

from __future__ import annotations

import math

import numpy as np

from armsim.arrays import Array
from armsim.engine import statistics as stats
from armsim.engine.firstorder import Linearised
from armsim.engine.montecarlo import DISTANCE, ROTATION, PoseSample, scale_of
from armsim.engine.validation import validate
from armsim.model.machine import EvaluatedMachine, Machine
from armsim.results.poses import BIAS
from armsim.results.posetable import PoseTable, fill


def share_names(machine: Machine) -> tuple[tuple[str, str], ...]:
    """Owner and cause of every share, each once, the bias last."""
    return (*dict.fromkeys((term.owner, term.cause) for term in machine.terms), BIAS)


def conditioning(machine: Machine, joints: Array) -> Array:
    """Smallest singular value of the Jacobian over the largest, lengths in reaches of the arm, shape (P,).

    Of an arm with fewer than six joints, those that it has. Source: Yoshikawa, Int. J. Robotics Research 4 (1985) 3.
    """
    at = machine.arm.postures(joints)
    reach = machine.arm.reach or 1.0  # of an arm without any length only the turning counts
    turning = np.where(at.rotary[:, None], at.direction, 0.0)
    scale = np.where(at.rotary, 1.0, reach)
    jacobian = np.concatenate([at.column / reach, turning], axis=2) * scale[:, None]
    values = np.linalg.svd(jacobian, compute_uv=False)
    return np.divide(values[:, -1], values[:, 0], out=np.zeros(len(values)), where=values[:, 0] > 0)


def fill_first_order(
    table: PoseTable, machine: Machine, joints: Array, evaluated: EvaluatedMachine, linear: Linearised
) -> None:
    """Write what needs no sample into a table of the same poses."""
    column, names = table.column, {name: i for i, name in enumerate(table.share_names)}
    poses = len(joints)
    column("joints")[:] = joints
    column("conditioning")[:] = conditioning(machine, joints)
    column("position")[:] = evaluated.postures.tool[:, :3, 3]
    column("first_order.mean")[:] = linear.mean
    column("first_order.rms")[:] = np.sqrt(linear.mean_square)
    column("first_order.covariance")[:] = linear.covariance
    shares = column("shares")
    shares[:] = 0.0
    for term, own in zip(evaluated.terms, linear.contributions, strict=True):
        shares[:, names[term.owner, term.cause]] += own
    shares[:, names[BIAS]] = np.sum(linear.mean**2, axis=1)
    bias_shares = column("bias_shares")
    bias_shares[:] = 0.0
    for term, own in zip(evaluated.terms, linear.bias_parts, strict=True):
        bias_shares[:, names[term.owner, term.cause]] += own
    of_visits = [own for term, own in zip(evaluated.terms, linear.contributions, strict=True) if term.life == "visit"]
    total = np.sum(shares, axis=1, keepdims=True)
    visits = np.sum(np.array(of_visits).reshape(-1, poses), axis=0)
    column("visit_share")[:] = np.divide(visits, total[:, 0], out=np.zeros(poses), where=total[:, 0] > 0)
    for part in (shares, bias_shares):
        np.divide(part, total, out=part, where=total > 0)


def fill_sampled(
    table: PoseTable, row: int, linear: Linearised, coverage: float, sample: PoseSample, visits: int, half_width: float
) -> None:
    """Write the statistics of a sample into a row.

    Parameters
    ----------
    table : PoseTable
        Of the poses of ``linear``.
    row : int
    linear : Linearised
    coverage : float
        Of the requirement.
    sample : PoseSample
    visits : int
    half_width : float
        Half of the 95 % interval of the integration of RP. [m]
    """
    column = table.column
    scale = scale_of(linear, row)
    n = sample.figures.shape[1] * visits
    *moments, turned = sample.sums.sum(axis=1) / n
    mean, covariance = centred_moments(np.array(moments), scale.centre)
    mean_square, ends = stats.mean_over_units(sample.square)
    column("error.mean")[row] = mean
    column("error.covariance")[row] = covariance
    column("error.rms")[row] = math.sqrt(mean_square)
    if ends is not None:
        column("error.rms_interval")[row] = math.sqrt(ends[0]), math.sqrt(ends[1])
    distance = sample.counted(DISTANCE, visits)
    coordinates = [(sample.coordinate(axis, scale.line, visits), (0.025, 0.975)) for axis in range(3)]
    ((p95, at), (p95_interval, at_interval)), *lines = stats.estimates_of([(distance, (0.95, coverage)), *coordinates])
    p50, p99 = distance.quantiles((0.5, 0.99))
    for path, value in (
        ("error.p50", p50),
        ("error.p95", p95),
        ("error.p99", p99),
        ("error.max", sample.extremes[1, DISTANCE]),
        ("error.p95_interval", p95_interval),
        ("error.at_coverage", at),
        ("error.at_coverage_interval", at_interval),
        ("orientation_error.rms", math.sqrt(turned)),
        ("orientation_error.p95", sample.counted(ROTATION, visits).quantiles((0.95,))[0]),
    ):
        column(path)[row] = value
    column("integration")[row] = half_width
    _fill_units(table, row, "accuracy", sample.accuracy)
    _fill_units(table, row, "repeatability", sample.repeatability, half_width)
    _fill_units(table, row, "orientation_accuracy", sample.orientation_accuracy)
    _fill_units(table, row, "orientation_repeatability", sample.orientation_repeatability)
    judged = validate(linear, row, np.array([values for values, _ in lines]), np.array([both for _, both in lines]))
    for part, own in zip(column("first_order.validation")[row], judged, strict=True):
        fill(part, own)


def centred_moments(moments: Array, centre: Array) -> tuple[Array, Array]:
    """Mean [m], shape (3,), and covariance [m^2], shape (3, 3), from means of x, y, z, xx, yy, zz, xy, xz, yz about a
    centre; the covariance has no negative eigenvalue."""
    x, y, z, xx, yy, zz, xy, xz, yz = moments
    off = np.array([x, y, z])
    covariance = np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]]) - np.outer(off, off)
    values, vectors = np.linalg.eigh(covariance)
    if values[0] < 0.0:  # by rounding, where there is no scatter
        covariance = vectors @ (np.maximum(values, 0.0)[:, None] * vectors.T)
        covariance = 0.5 * (covariance + covariance.T)
    return centre + off, covariance


def _fill_units(table: PoseTable, row: int, path: str, values: Array, half_width: float = 0.0) -> None:
    for name, estimate in zip(("p50", "p95"), stats.unit_quantiles(values, (0.5, 0.95), half_width), strict=True):
        table.column(f"{path}.{name}")[row] = estimate.value
        if estimate.interval is not None:
            table.column(f"{path}.{name}_interval")[row] = estimate.interval
