"""Frame and target of every session of an identified arm: the registration, corrected by its identified errors."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from armsim.arrays import Array
from armsim.calibration.calibration_records import RegistrationRecord, SessionFrameRecord, Uncertainties
from armsim.calibration.estimate import Estimate
from armsim.calibration.measured_machine import INSTRUMENT, SCALE, SHIFTS, TARGET, session_of
from armsim.model.kinematics import roll_pitch_yaw
from armsim.results.poses import vector

TURNS = ("roll", "pitch", "yaw")
"""Rotations about x, y, z, to first order."""


def session_frames(
    registrations: Sequence[RegistrationRecord], estimate: Estimate, values: Array
) -> tuple[SessionFrameRecord, ...]:
    """Frame and target of every session as identified together with the arm.

    A registered point b is I p, with p the point in the base frame and I = (v, W) the identified error of the frame.
    Therefore an instrument that was registered with position t and orientation R has the position W^-1 (t - v) and the
    orientation W^-1 R.

    Parameters
    ----------
    registrations : sequence of RegistrationRecord
        Frames and targets, fitted to the nominal arm.
    estimate : Estimate
    values : (K,)
        Identified values of its parameters. [m or rad]

    Returns
    -------
    tuple of SessionFrameRecord
        In the order of the registrations.
    """
    from scipy.spatial.transform import Rotation

    number = {
        (parameter.group, session_of(parameter.axis), parameter.axis.parameter): n
        for n, parameter in enumerate(estimate.parameters)
        if parameter.group in (INSTRUMENT, TARGET)
    }
    covariance, out = estimate.covariance, []
    scale_number = number.get((INSTRUMENT, 0, SCALE))
    scale_error = 0.0 if scale_number is None else float(values[scale_number])
    for session, registration in enumerate(registrations):
        frame_numbers = [number.get((INSTRUMENT, session, name)) for name in (*SHIFTS, *TURNS)]
        target_numbers = [number.get((TARGET, session, name)) for name in SHIFTS]
        shift_and_turn = _values_at(values, frame_numbers)
        turn = Rotation.from_euler("xyz", shift_and_turn[3:])
        origin = np.array(registration.origin) / (1.0 + scale_error)
        rotation = turn.inv() * Rotation.from_euler("xyz", registration.rpy)
        by_turn = [np.cross(origin, axis) for axis in np.eye(3)]
        columns = np.column_stack([-np.eye(3), *by_turn, -origin])  # of the position, by shift, turn and scale
        of_origin = columns @ _covariance_at(covariance, [*frame_numbers, scale_number]) @ columns.T
        out.append(
            SessionFrameRecord(
                registration.session,
                vector(turn.inv().apply(origin - shift_and_turn[:3])),
                _uncertainties(frame_numbers[:3], of_origin),
                roll_pitch_yaw(rotation.as_matrix()),
                _uncertainties(frame_numbers[3:], _covariance_at(covariance, frame_numbers[3:])),
                vector(np.array(registration.target) + _values_at(values, target_numbers)),
                _uncertainties(target_numbers, _covariance_at(covariance, target_numbers)),
                (1.0 + registration.scale) * (1.0 + scale_error) - 1.0,
                None if scale_number is None else float(np.sqrt(covariance[scale_number, scale_number])),
            )
        )
    return tuple(out)


Numbers = Sequence[int | None]
"""Indices of parameters; None for one that is not estimated."""


def _values_at(values: Array, numbers: Numbers) -> Array:
    """Values of parameters; zero if not estimated."""
    return np.array([0.0 if n is None else values[n] for n in numbers])


def _covariance_at(covariance: Array, numbers: Numbers) -> Array:
    """Covariance of parameters; zero if not estimated."""
    rows = [n for n in numbers if n is not None]
    indices = [index for index, n in enumerate(numbers) if n is not None]
    out = np.zeros((len(numbers), len(numbers)))
    out[np.ix_(indices, indices)] = covariance[np.ix_(rows, rows)]
    return out


def _uncertainties(numbers: Numbers, covariance: Array) -> Uncertainties:
    """Standard uncertainties of three quantities with a covariance of shape (3, 3); None if not estimated."""
    sizes = np.sqrt(np.diag(covariance)).tolist()
    x, y, z = (None if n is None else size for n, size in zip(numbers, sizes, strict=True))
    return x, y, z
