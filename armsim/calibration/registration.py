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

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.model.calibration_plan import Instrument
from armsim.model.kinematics import rigid_motion

ROUNDS = 500
"""Alternations of frame and target, at most."""
SETTLED = 1e-13
"""Change of the target at which they end. [m]"""
CONFOUNDED = 1e-10
"""Share of the largest information below which a combination of frame and target is none: with all axes parallel, such
as those of a SCARA, the height of the target is that of the frame."""


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
    scale : float
        By which the lengths of the instrument are multiplied.
    away : (readings, 3) [m]
        Of the target from where the nominal arm takes it, in the base frame.
    """

    turn: Array
    shift: Array
    target: Array
    scale: float
    away: Array

    @property
    def angle(self) -> float:
        """By which the instrument is turned against the base. [rad]"""
        return float(np.arccos(np.clip((np.trace(self.turn) - 1.0) / 2.0, -1.0, 1.0)))


def registered(readings: Sequence[Array], tools: Sequence[Array], instrument: Instrument) -> tuple[Fit, ...]:
    """Frames and targets of sessions by least squares on the nominal arm, as far as the instrument asks for them.

    Parameters
    ----------
    readings : sequence of (readings, 3) [m]
        Session by session, in the frame of the instrument.
    tools : sequence of (readings, 4, 4) [m]
        Nominal pose of the target in the base frame, at each of them.
    instrument : Instrument
        Whose scale is the same in all sessions.

    Returns
    -------
    tuple of Fit
        Session by session.
    """
    count, scale = len(readings), 1.0
    turns, shifts, targets = [np.eye(3)] * count, [np.zeros(3)] * count, [np.zeros(3)] * count
    rotations, positions = [every[:, :3, :3] for every in tools], [every[:, :3, 3] for every in tools]
    centre = np.array(instrument.at)
    for _ in range(ROUNDS):
        goals = [at + turned @ target for at, turned, target in zip(positions, rotations, targets, strict=True)]
        if instrument.pose == "identified":
            turns = [rigid_motion(read, goal)[0] for read, goal in zip(readings, goals, strict=True)]
        if instrument.scale == "identified":
            before, scale = scale, _scale(readings, goals, turns, centre if instrument.pose == "known" else None)
        else:
            before = scale
        if instrument.pose == "identified":
            shifts = [
                goal.mean(axis=0) - scale * turn @ read.mean(axis=0)
                for read, goal, turn in zip(readings, goals, turns, strict=True)
            ]
        else:
            shifts = [(1.0 - scale) * centre] * count
        step = 0.0
        if instrument.target == "identified":
            for n, goal in enumerate(goals):
                away = scale * readings[n] @ turns[n].T + shifts[n] - goal
                move = np.mean(np.einsum("nij,ni->nj", rotations[n], away), axis=0)
                targets[n] = targets[n] + move
                step = max(step, float(np.linalg.norm(move)))
        if step < SETTLED and abs(scale - before) < SETTLED:
            break
    fits = zip(readings, positions, rotations, turns, shifts, targets, strict=True)
    return tuple(
        Fit(turn, shift, target, scale, scale * read @ turn.T + shift - at - rotation @ target)
        for read, at, rotation, turn, shift, target in fits
    )


def _scale(readings: Sequence[Array], goals: Sequence[Array], turns: Sequence[Array], centre: Array | None) -> float:
    """Factor on lengths by least squares, about a centre, or about the mean of every session.

    References
    ----------
    .. [1] Umeyama, IEEE Trans. PAMI 13 (1991) 376: scale beside turn and shift.
    """
    product = square = 0.0
    for read, goal, turn in zip(readings, goals, turns, strict=True):
        lengths = (read - (read.mean(axis=0) if centre is None else centre)) @ turn.T
        product += float(np.sum(lengths * (goal - (goal.mean(axis=0) if centre is None else centre))))
        square += float(np.sum(lengths**2))
    return product / square


def taken_out(inverse: Array, columns: Array) -> Array:
    """The projection that takes nuisance columns out of readings by generalised least squares, shape (3 M, 3 M).

    Parameters
    ----------
    inverse : (3 M, 3 M) [m^-2]
        Of the covariance of the readings, of full rank.
    columns : (3 M, K)

    Returns
    -------
    (3 M, 3 M)

    Raises
    ------
    ArithmeticError
        Nothing of the readings is left.
    """
    if not columns.shape[1]:
        return np.eye(len(inverse))
    scaled = columns / np.maximum(np.linalg.norm(columns, axis=0), np.finfo(float).tiny)
    values, vectors = np.linalg.eigh(scaled.T @ inverse @ scaled)
    apart = values > CONFOUNDED * values[-1]
    if len(inverse) <= np.count_nonzero(apart):
        raise ArithmeticError("the poses do not tell frame and target apart")
    scaled = scaled @ vectors[:, apart] / np.sqrt(values[apart])
    return np.asarray(np.eye(len(inverse)) - scaled @ (scaled.T @ inverse))
