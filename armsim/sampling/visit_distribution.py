"""Effect of the visits on a unit in the limit of infinitely many: repeatability, and shift of the barycentre.

To first order the visits of a unit scatter its tool point by

    D = sum over coefficients of g_k z_k,      z_k independent, of mean 0 and variance 1, normal, uniform or two-valued

with g_k known at every pose. RP of ISO 9283 is then a number, not a sample: with f = |D|, m = E f, S^2 = sum |g_k|^2,

    RP = m + 3 sqrt(S^2 - m^2)

E f is integrated over scrambled Sobol nets; S^2, known exactly, serves as control variate; the scatter between the nets
gives the uncertainty. All poses share the nets, so that the largest RP over many poses is hardly biased. How RP changes
with the errors that a unit keeps follows from how they turn the columns of the Jacobian.

References
----------
.. [1] ISO 9283:1998 7.2.2: RP is mean distance plus three standard deviations.
.. [2] Murray, Li, Sastry, A Mathematical Introduction to Robotic Manipulation (1994), ch. 3: derivatives of the
   product of exponentials.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.core.unit_figures import VisitEffect
from armsim.model.kinematics import Kinematics
from armsim.sampling.visit_integrals import CONSTANT_DISTANCE, STD, VisitIntegrals, repeatability_of


@dataclass(frozen=True, eq=False)
class VisitDistribution:
    """Distribution of the visits at P poses, by its moments.

    Parameters
    ----------
    repeatability, half_width : (P,) [m]
        RP of a unit without constant errors, and half-width of the 95 % interval of its numerical integration.
    nets : (P, NETS) [m]
        RP from each net, linearised: for differences of two designs on the same nets.
    orientation_repeatability : (P,) [rad]
        Three standard deviations of the rotation vector along the direction in which it scatters most.
    shift, rotation_shift : (P, 3) [m], [rad]
        Second-order displacement and rotation of the barycentre by the visits.
    slope : (P, 2, axes)
        Change of both RP per constant error of a unit on each axis.
    """

    repeatability: Array
    half_width: Array
    nets: Array
    orientation_repeatability: Array
    shift: Array
    rotation_shift: Array
    slope: Array

    def at_pose(self, pose: int, tangent: Array) -> VisitEffect:
        """Effect of the visits at one pose, for the kernel.

        Parameters
        ----------
        pose : int
        tangent : (3,)
            Unit tangent of a path, or zeros.

        Returns
        -------
        VisitEffect
        """
        repeatabilities = np.array([self.repeatability[pose], self.orientation_repeatability[pose]])
        return VisitEffect(self.shift[pose], self.rotation_shift[pose], tangent, repeatabilities, self.slope[pose])


@dataclass(frozen=True, eq=False)
class VisitCoefficients:
    """Coefficients of visit life.

    Parameters
    ----------
    distributions : tuple of str
        Name of the distribution per coefficient.
    index, axis : (entries,)
    value : (P, entries)
        Entry i moves axis ``axis[i]`` by coefficient ``index[i]`` times ``value[:, i]``, which includes the
        scale of the distribution.
    """

    distributions: tuple[str, ...]
    index: np.ndarray
    axis: np.ndarray
    value: Array

    def effects_on_axes(self, axes: int) -> Array:
        """Effect of every standardised coefficient on every axis, shape (P, axes, coefficients)."""
        out = np.zeros((len(self.value), axes, len(self.distributions)))
        std = np.array([STD[distribution] for distribution in self.distributions])
        for i, (k, a) in enumerate(zip(self.index.tolist(), self.axis.tolist(), strict=True)):
            out[:, a, k] += self.value[:, i] * std[k]
        return out


def nominal_gains(coefficients: VisitCoefficients, postures: Kinematics, tangents: Array) -> Array:
    """Effect of every standardised coefficient on the tool point, shape (P, coefficients, 3). [m]

    Parameters
    ----------
    coefficients : VisitCoefficients
    postures : Kinematics
        With the axes that the coefficients move.
    tangents : (P, 3)
        Unit tangents of a path, which the effect is taken across. Zero without a path.

    Returns
    -------
    (P, coefficients, 3) [m]
    """
    gains = np.swapaxes(postures.column, 1, 2) @ coefficients.effects_on_axes(
        postures.column.shape[1]
    )  # (P, 3, coefficients)
    gains = gains - tangents[:, :, None] * np.einsum("pj,pjk->pk", tangents, gains)[:, None]
    return np.ascontiguousarray(np.swapaxes(gains, 1, 2))


def visit_distribution(
    coefficients: VisitCoefficients, postures: Kinematics, integrals: VisitIntegrals
) -> VisitDistribution:
    """Compute the distribution of the visits at poses.

    Parameters
    ----------
    coefficients : VisitCoefficients
    postures : Kinematics
        With the axes that the coefficients move.
    integrals : VisitIntegrals
        Of the gains of these coefficients, summed.

    Returns
    -------
    VisitDistribution
    """
    column = postures.column
    axis_effects = coefficients.effects_on_axes(column.shape[1])
    covariance = axis_effects @ np.swapaxes(axis_effects, 1, 2)
    rotation_axes = np.where(postures.rotary[:, None], postures.direction, 0.0)
    repeatability, spread, half_width, by_net = repeatability_of(integrals)
    mean = repeatability - 3.0 * spread
    change_of_mean = _response(axis_effects @ integrals.influences, rotation_axes, column)
    change_of_square = _response(axis_effects @ integrals.gains, rotation_axes, column)  # half of that of S^2
    scattered = spread > CONSTANT_DISTANCE * np.maximum(mean, 1e-300)
    change_of_spread = np.divide(
        change_of_square - mean[:, None] * change_of_mean,
        spread[:, None],
        out=np.zeros_like(change_of_mean),
        where=scattered[:, None],
    )
    orientation_repeatability, orientation_slope = _orientation_repeatability(axis_effects, rotation_axes)
    return VisitDistribution(
        repeatability,
        half_width,
        by_net,
        orientation_repeatability,
        _second_order(covariance, rotation_axes, column),
        _second_order_rotation(covariance, rotation_axes),
        np.stack([change_of_mean + 3.0 * change_of_spread, orientation_slope], axis=1),
    )


def _response(axis_effects: Array, rotation_axes: Array, column: Array) -> Array:
    """E[u . dD / ds_c] for every axis c, with ``axis_effects`` = E[t_b u] for the error t_b of every axis b.

    An error on axis c turns the column of every axis b beyond it by w_c x J_b, and moves the tool against every axis
    before it, w_b x J_c.

    Parameters
    ----------
    axis_effects, rotation_axes, column : (P, axes, 3)

    Returns
    -------
    (P, axes)
    """
    crossed = np.cross(column, axis_effects)
    beyond = np.flip(np.cumsum(np.flip(crossed, axis=1), axis=1), axis=1)
    before = np.cross(axis_effects, rotation_axes)  # w_b . (J_c x M_b) = J_c . (M_b x w_b)
    summed = np.cumsum(before, axis=1) - before
    return np.asarray(np.sum(rotation_axes * beyond, axis=2) + np.sum(column * summed, axis=2))


def rotated_columns(direction: Array, column: Array, rotary: np.ndarray, unit_errors: Array) -> Array:
    """Jacobian columns of units at one pose, rotated by the unit errors, to first order.

    Parameters
    ----------
    direction, column : (axes, 3)
    rotary : (axes,) bool
    unit_errors : (axes, units)
        Constant errors of the units. [rad or m]

    Returns
    -------
    (3, units, axes)
    """
    rotation_axes = np.where(rotary[:, None], direction, 0.0)
    spin = np.cumsum(rotation_axes[:, None] * unit_errors[:, :, None], axis=0)  # (axes, units, 3)
    tilted = column[:, None] * unit_errors[:, :, None]
    beyond = tilted.sum(axis=0) - np.cumsum(tilted, axis=0)
    changed = column[:, None] + np.cross(spin, column[:, None]) + np.cross(rotation_axes[:, None], beyond)
    return np.asarray(changed.transpose(2, 1, 0))


def _second_order(covariance: Array, rotation_axes: Array, column: Array) -> Array:
    """Mean displacement of second order, shape (P, 3): half the sum of cov_ab w_a x J_b over a not beyond b, twice off
    the diagonal."""
    axes = covariance.shape[1]
    weight = np.triu(covariance) * (np.ones((axes, axes)) - 0.5 * np.eye(axes))
    return np.asarray(np.sum(np.cross(rotation_axes, weight @ column), axis=1))


def _second_order_rotation(covariance: Array, rotation_axes: Array) -> Array:
    """The same of the rotation vector (Baker, Campbell, Hausdorff): half the sum of cov_ab w_a x w_b, a before b."""
    return np.asarray(0.5 * np.sum(np.cross(rotation_axes, np.triu(covariance, 1) @ rotation_axes), axis=1))


def _orientation_repeatability(axis_effects: Array, rotation_axes: Array) -> tuple[Array, Array]:
    """Three standard deviations along the widest direction, shape (P,), and their change with every axis, (P, axes)."""
    gains = np.swapaxes(rotation_axes, 1, 2) @ axis_effects  # (P, 3, coefficients)
    values, vectors = np.linalg.eigh(gains @ np.swapaxes(gains, 1, 2))
    widest, along = np.sqrt(np.maximum(values[:, -1], 0.0)), vectors[:, :, -1]
    weight = np.einsum("pak,pjk,pj->pa", axis_effects, gains, along)
    # along . (w_c x w_b) = w_b . (along x w_c), halved by the expansion of the rotation vector, doubled by the square
    weighted = rotation_axes * weight[:, :, None]
    before = np.cumsum(weighted, axis=1) - weighted
    beyond = weighted.sum(axis=1, keepdims=True) - before - weighted
    change = np.sum(np.cross(along[:, None], rotation_axes) * (beyond - before), axis=2)
    slope = np.divide(1.5 * change, widest[:, None], out=np.zeros_like(change), where=widest[:, None] > 0)
    return 3.0 * widest, np.asarray(slope)
