"""Registration of an instrument: where it stands and its target sits, fitted and taken out of what is judged.

A reading of the target, in the frame of the instrument, is

    y = T (p + R s) + noise

with p and R the position and orientation of the tool, s the place of the target on it and T the pose of the base in the
frame of the instrument. Where T or s is not known, it is first fitted to the nominal arm, which needs no start value;
what the errors of the arm make of that fit is then taken out of every statistic, by its covariance, of the measured arm
and of the simulated ones alike.

References
----------
.. [1] Kabsch, Acta Cryst. A32 (1976) 922; Horn, J. Opt. Soc. Am. A 4 (1987) 629: the turn and shift of least squares.
.. [2] Seber, Lee, Linear Regression Analysis, 2nd ed. (2003), 3.10: generalised least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.model.calibration_plan import Instrument
from armsim.model.kinematics import rigid_motion

ROUNDS = 500
"""Alternations of frame and target, at most."""
SETTLED = 1e-13
"""Change of the target at which they end. [m]"""


@dataclass(frozen=True, eq=False)
class Fit:
    """Frame and target of a session.

    Parameters
    ----------
    turn : (3, 3)
        Rotation from the frame of the instrument to the base.
    shift : (3,) [m]
        Origin of the instrument in the base frame.
    target : (3,) [m]
        By which the target is off its stated place, in the frame of the tool.
    away : (readings, 3) [m]
        Of the target from where the nominal arm takes it, in the base frame.
    """

    turn: Array
    shift: Array
    target: Array
    away: Array

    @property
    def angle(self) -> float:
        """By which the instrument is turned against the base. [rad]"""
        return float(np.arccos(np.clip((np.trace(self.turn) - 1.0) / 2.0, -1.0, 1.0)))


def registered(readings: Array, tools: Array, instrument: Instrument) -> Fit:
    """Frame and target by least squares on the nominal arm, as far as the instrument asks for them.

    Parameters
    ----------
    readings : (readings, 3) [m]
        In the frame of the instrument.
    tools : (readings, 4, 4) [m]
        Nominal pose of the target in the base frame, at each of them.
    instrument : Instrument

    Returns
    -------
    Fit
    """
    turn, shift, target = np.eye(3), np.zeros(3), np.zeros(3)
    rotations, positions = tools[:, :3, :3], tools[:, :3, 3]
    for _ in range(ROUNDS):
        goal = positions + rotations @ target
        if instrument.pose == "identified":
            turn, shift = rigid_motion(readings, goal)
        away = readings @ turn.T + shift - goal
        if instrument.target != "identified":
            break
        step = np.mean(np.einsum("nij,ni->nj", rotations, away), axis=0)
        target = target + step
        if np.linalg.norm(step) < SETTLED:
            break
    return Fit(turn, shift, target, readings @ turn.T + shift - positions - rotations @ target)


def nuisance(tools: Array, instrument: Instrument) -> Array:
    """What frame and target do to the readings, to first order, shape (3 M, columns): shifts, turns, target.

    Parameters
    ----------
    tools : (M, 4, 4) [m]
        Nominal pose of the target in the base frame, pose by pose.
    instrument : Instrument
    """
    columns, count = [], len(tools)
    if instrument.pose == "identified":
        x, y, z = tools[:, :3, 3].T
        zero = np.zeros(count)
        turned = np.array([[zero, z, -y], [-z, zero, x], [y, -x, zero]])  # columns: axis x p
        columns += [np.tile(np.eye(3), (count, 1, 1)), np.transpose(turned, (2, 0, 1))]
    if instrument.target == "identified":
        columns.append(tools[:, :3, :3])
    return np.concatenate(columns, axis=2).reshape(3 * count, -1) if columns else np.zeros((3 * count, 0))


def taken_out(covariance: Array, columns: Array) -> Array:
    """The projection that takes nuisance columns out of readings by generalised least squares, shape (3 M, 3 M).

    Parameters
    ----------
    covariance : (3 M, 3 M) [m^2]
        Of the readings.
    columns : (3 M, K)

    Raises
    ------
    ArithmeticError
        The readings do not tell the columns apart.
    """
    if not columns.shape[1]:
        return np.eye(len(covariance))
    scaled = columns / np.linalg.norm(columns, axis=0)
    inverse = np.linalg.pinv(_full(covariance), hermitian=True)
    normal = scaled.T @ inverse @ scaled
    values = np.linalg.eigvalsh(normal)
    if len(covariance) <= columns.shape[1] or values[0] < 1e-10 * values[-1]:
        raise ArithmeticError("the poses do not tell frame and target apart")
    return np.asarray(np.eye(len(covariance)) - scaled @ np.linalg.solve(normal, scaled.T @ inverse))


def _full(covariance: Array) -> Array:
    """Of full rank: nothing is known better than a millionth of what is known on average."""
    return covariance + 1e-12 * float(np.trace(covariance)) / len(covariance) * np.eye(len(covariance))
