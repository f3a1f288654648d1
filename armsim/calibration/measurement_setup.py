"""Measurement setup of arms: the machine as an instrument sees it, and readings transformed to the base frame.

`verify` and `calibrate` both use it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from armsim.arrays import Array
from armsim.calibration.calibration_records import RegistrationRecord
from armsim.calibration.estimate_correction import spread_at
from armsim.calibration.linear_population import LinearPopulation
from armsim.calibration.measured_machine import as_measured, nuisance_axes
from armsim.calibration.population_at_poses import jacobian_of
from armsim.calibration.posterior import Estimator
from armsim.calibration.reading_conditions import LEVER, Conditions, thermal_growth
from armsim.calibration.registered_arm import RegisteredArm
from armsim.calibration.registration import RegistrationFit, fit_registrations
from armsim.documents.measured_points import LARGEST_DISPLACEMENT, JointColumns, MeasuredArm, read_points
from armsim.errormodel.shapes import Constant
from armsim.errors import InputError, Problem
from armsim.model.calibration_plan import Instrument
from armsim.model.configurations import Configurations
from armsim.model.correction import Parameter
from armsim.model.machine import Machine
from armsim.results.poses import vector
from armsim.study import Study

STATION_DECIMALS = 2
"""Decimals [m] to which the position of an instrument is rounded before distances from it are taken, so that all arms
measured from one station have the same distances."""


@dataclass(frozen=True, eq=False)
class Setup:
    """A measuring instrument, and the machine with its targets as that instrument sees it.

    Parameters
    ----------
    machine_without_target : Machine
        Machine without a target.
    machine : Machine
        Machine with the target at its stated position on the tool.
    instrument : Instrument
        Instrument with the standard deviation of its readings.
    offsets : mapping of session to (3,) [m]
        Offset of the target from the stated position, in the tool frame.
    """

    machine_without_target: Machine
    machine: Machine
    instrument: Instrument
    offsets: Mapping[str, Array] = field(default_factory=dict)

    @staticmethod
    def of(study: Study, std: float | None) -> Setup:
        """Setup described by the calibration of a scenario; ``std`` along every axis replaces the stated one. [m]

        Parameters
        ----------
        study : Study
        std : float, optional [m]

        Returns
        -------
        Setup
        """
        calibration, machine = study.scenario.calibration, study.scenario.machine
        instrument = Instrument() if calibration is None else calibration.instrument
        if std is not None:
            instrument = replace(instrument, std=(std, std, std), std_per_distance=0.0)
        fixed = replace(instrument, pose="known", target="known", scale="known")
        return Setup(machine, as_measured(machine, fixed), instrument)

    @property
    def fits_registration(self) -> bool:
        """Whether the pose of the instrument, the target offset or the scale is fitted."""
        return "identified" in (self.instrument.pose, self.instrument.target, self.instrument.scale)

    def targets(self, joints: Mapping[str, Array]) -> dict[str, Array]:
        """Nominal frames of the target in the base frame, by pose, shape (4, 4) each; translations in m."""
        frames = self.machine.arm.postures(np.array(list(joints.values())), []).tool
        return dict(zip(joints, frames, strict=True))

    def spread(self, joints: Array) -> Array:
        """Standard deviation of a reading along x, y, z at joint positions (M, joints), shape (M, 3). [m]"""
        return spread_at(self.instrument, self.machine.arm.postures(joints, []).tool)

    def with_fitted_target(self, arms: Sequence[MeasuredArm], path: Path) -> Setup:
        """Setup with the target offset fitted to all arms.

        It is needed because the displacement caused by a wrist error depends on where the target really is.

        Parameters
        ----------
        arms : sequence of MeasuredArm
        path : Path
            Measurement file, named in messages.

        Returns
        -------
        Setup

        Raises
        ------
        InputError
            As `register`.
        """
        if self.instrument.target != "identified":
            return self
        target_offsets: dict[str, list[Array]] = {}
        for arm in arms:
            for session, record in zip(_sessions(arm), self.register(arm, path).registrations, strict=True):
                target_offsets.setdefault(session, []).append(np.array(record.target))
        nominal = np.array(self.instrument.target_offset)
        offsets = {session: np.mean(rows, axis=0) - nominal for session, rows in target_offsets.items()}
        return replace(self, offsets=offsets)

    def register(self, arm: MeasuredArm, path: Path) -> RegisteredArm:
        """The readings of an arm in the base frame, with thermal growth at the measured temperatures subtracted.

        A group is the position readings, or the orientation readings, at one pose.

        Parameters
        ----------
        arm : MeasuredArm
        path : Path
            Measurement file, named in messages.

        Returns
        -------
        RegisteredArm

        Raises
        ------
        InputError
            The residuals are too large to be arm errors, or the file has orientations but the instrument reads none.
        """
        if arm.rotations and self.instrument.angular_std <= 0.0:
            accepted = "calibration: {instrument: {angular_std: 20 urad}}, the standard deviation about every axis"
            raise InputError(Problem(path.name, 1, 1, "header", "orientations, but no angular_std", accepted))
        names, conditions = list(arm.visits), self._conditions(arm)
        joints, rises = np.array([arm.joints[name] for name in names]), self._rises(arm)
        with_orientation = [names.index(name) for name in arm.rotations]
        groups = [*range(len(names)), *with_orientation]
        growth_per_kelvin = (
            np.zeros((len(groups), 3)) if rises is None else thermal_growth(self.machine, joints[groups], conditions)
        )
        growth_of_readings = [
            rise[:, None] * per_kelvin
            for rise, per_kelvin in zip((rises or [np.zeros(1)] * len(groups)), growth_per_kelvin, strict=True)
        ]
        frames = self.machine.arm.postures(joints, []).tool
        fits = self._fits(arm, frames, growth_of_readings, conditions)
        visits = self._positions(arm, fits, growth_of_readings, conditions)
        orientation_errors = self._orientation_errors(arm, frames, fits, conditions)
        self._check_distances(visits, path)
        labels = [f"{names[n]}, orientation" for n in with_orientation]
        for group, label in enumerate(labels, start=len(names)):
            visits[label] = orientation_errors[groups[group]] - growth_of_readings[group]
        fit_of_group = [fits[n] if fits else None for n in conditions.sessions.tolist()]
        covariance_roots = [
            self._covariance_roots(arm, name, frames[n], fit_of_group[n]) for n, name in enumerate(names)
        ]
        covariance_roots += [LEVER * self.instrument.angular_std * np.eye(3)[None]] * len(with_orientation)
        pose_and_label = [(names[n], label) for n, label in zip(with_orientation, labels, strict=True)]
        arm_with_orientations = replace(
            arm,
            visits=visits,
            joints=arm.joints | {label: arm.joints[name] for name, label in pose_and_label},
            lines=arm.lines | {label: arm.lines[name] for name, label in pose_and_label if name in arm.lines},
            rotations={label: arm.rotations[name] for name, label in pose_and_label},
        )
        sessions = _sessions(arm)
        records = [
            self._record(name if len(sessions) > 1 else "", fit) for name, fit in zip(sessions, fits, strict=False)
        ]
        return RegisteredArm(arm_with_orientations, conditions, tuple(covariance_roots), tuple(records))

    def estimator(self, registered: RegisteredArm, path: Path) -> Estimator:
        """Estimator of the error coefficients of one arm, with frames, target offsets and scale projected out.

        Parameters
        ----------
        registered : RegisteredArm
        path : Path
            Measurement file, named in messages.

        Returns
        -------
        Estimator

        Raises
        ------
        InputError
            Frame and target are not separately identifiable from these poses.
        """
        linear = LinearPopulation.of(self.machine, registered.joints, registered.conditions)
        try:
            return Estimator.of(
                linear, registered.counts, registered.covariance_roots, self.registration_jacobian(registered)
            )
        except ArithmeticError as error:
            wrong = f"{len(registered.joints)} poses from which frame and target are not separately identifiable"
            accepted = "more poses, with different tool orientations"
            raise InputError(Problem(path.name, 0, 0, "pose", wrong, accepted)) from error

    def registration_jacobian(self, registered: RegisteredArm) -> Array:
        """Jacobian of displacements by instrument frames, target offsets and scale, shape (3 M, columns)."""
        axes = nuisance_axes(self.instrument, registered.conditions.layout)
        parameters = tuple(Parameter(str(axis), axis.owner, axis, Constant()) for axis in axes)
        machine = as_measured(self.machine_without_target, self.instrument, registered.conditions.layout)
        columns = jacobian_of(machine, Configurations(registered.joints), parameters, registered.conditions)
        return np.asarray(columns.reshape(3 * len(registered.joints), -1))

    def _conditions(self, arm: MeasuredArm) -> Conditions:
        """Sessions, temperatures and orientations of the groups of readings of an arm."""
        names, sessions, rises = list(arm.visits), _sessions(arm), self._rises(arm)
        numbers = np.array([sessions.index(arm.sessions.get(name, "")) for name in names], dtype=np.int64)
        offsets = np.array([self.offsets.get(sessions[n], np.zeros(3)) for n in numbers])
        pose_of_group = np.array([*range(len(names)), *(names.index(name) for name in arm.rotations)], dtype=np.int64)
        means = None if rises is None else np.array([rise.mean() for rise in rises])
        centre = self.instrument.position if self.instrument.pose == "known" else (0.0, 0.0, 0.0)
        return Conditions(numbers[pose_of_group], means, pose_of_group, offsets[pose_of_group], centre, tuple(sessions))

    def _rises(self, arm: MeasuredArm) -> list[Array] | None:
        """Temperature above that of mastering at every reading of every group; None if it was not read. [K]"""
        if not arm.temperatures:
            return None
        mastering = self.machine.environment.mastering_temperature
        return [arm.temperatures[name] - mastering for name in (*arm.visits, *arm.rotations)]

    def _fits(
        self, arm: MeasuredArm, frames: Array, growth_of_readings: Sequence[Array], conditions: Conditions
    ) -> tuple[RegistrationFit, ...]:
        """Fits of frame and target of every session; none if the instrument leaves nothing unknown."""
        if not self.fits_registration:
            return ()
        readings, target_poses = [], []
        for session in range(int(conditions.sessions.max()) + 1):
            members = [n for n in range(len(frames)) if conditions.sessions[n] == session]
            rows = [list(arm.points.values())[n] for n in members]
            frames_of_readings = [
                np.repeat(frames[n][None], len(readings_at_pose), axis=0)
                for n, readings_at_pose in zip(members, rows, strict=True)
            ]
            for n, frames_at_pose in zip(members, frames_of_readings, strict=True):
                frames_at_pose[:, :3, 3] += growth_of_readings[n]
            readings.append(np.concatenate(rows))
            target_poses.append(np.concatenate(frames_of_readings))
        return fit_registrations(readings, target_poses, self.instrument)

    def _positions(
        self,
        arm: MeasuredArm,
        fits: Sequence[RegistrationFit],
        growth_of_readings: Sequence[Array],
        conditions: Conditions,
    ) -> dict[str, Array]:
        """Displacements of the target in the base frame, with thermal growth subtracted, per group."""
        if not fits:
            pairs = zip(arm.visits.items(), growth_of_readings, strict=False)
            return {name: rows - thermal for (name, rows), thermal in pairs}
        out: dict[str, Array] = dict.fromkeys(arm.visits, np.zeros(0))
        for session, fit in enumerate(fits):
            members = [name for name, number in zip(arm.visits, conditions.sessions, strict=False) if number == session]
            ends = np.cumsum([len(arm.visits[name]) for name in members])[:-1]
            out.update(zip(members, np.split(fit.residuals, ends), strict=True))
        return out

    def _orientation_errors(
        self, arm: MeasuredArm, frames: Array, fits: Sequence[RegistrationFit], conditions: Conditions
    ) -> dict[int, Array]:
        """Rotation vectors of the probe relative to its nominal orientation, by pose index, shape (readings, 3). [m]

        They are multiplied by `LEVER`, which turns rad into m. If the target is identified, the probe's mounting
        orientation is fitted per session as well.
        """
        from scipy.spatial.transform import Rotation

        names, out = list(arm.visits), {}
        for session in dict.fromkeys(conditions.sessions.tolist()):
            session_rotation = fits[session].rotation if fits else np.eye(3)
            members = [names.index(name) for name in arm.rotations]
            members = [n for n in members if conditions.sessions[n] == session]
            rotations = {n: session_rotation @ arm.rotations[names[n]] for n in members}
            probe_mounting = Rotation.identity()
            if members and self.instrument.target == "identified":
                mountings = np.concatenate([frames[n, :3, :3].T @ rotations[n] for n in members])
                probe_mounting = Rotation.from_matrix(mountings).mean()
            for n in members:
                error = rotations[n] @ probe_mounting.as_matrix().T @ frames[n, :3, :3].T
                out[n] = LEVER * Rotation.from_matrix(error).as_rotvec()
        return out

    def _covariance_roots(self, arm: MeasuredArm, name: str, frame: Array, fit: RegistrationFit | None) -> Array:
        """Roots of the covariance of the readings of a group, shape (readings or 1, 3, 3). [m]"""
        stated_std = arm.uncertainties.get(name)
        if stated_std is None:
            instrument_position = (
                None if fit is None or self.instrument.pose == "known" else np.round(fit.translation, STATION_DECIMALS)
            )
            return np.diag(spread_at(self.instrument, frame[None], instrument_position)[0])[None]
        distinct_std = stated_std[:1] if np.all(stated_std == stated_std[0]) else stated_std
        diagonal = distinct_std[:, :, None] * np.eye(3)
        if fit is None or np.all(distinct_std == distinct_std[:, :1]):
            return np.asarray(diagonal)
        return np.asarray(fit.rotation @ diagonal)

    def _check_distances(self, visits: Mapping[str, Array], path: Path) -> None:
        """Raise an error if readings lie so far from the nominal poses that the fit of the frame must be wrong."""
        if not self.fits_registration:
            return
        distances = {name: float(np.linalg.norm(rows, axis=1).max()) for name, rows in visits.items()}
        worst = max(distances, key=lambda name: distances[name])
        if distances[worst] > LARGEST_DISPLACEMENT:
            wrong = f"{1e3 * distances[worst]:.4g} mm left at {worst!r} after the fit of frame and target"
            accepted = f"readings at these poses, {1e3 * LARGEST_DISPLACEMENT:g} mm at most from where it is commanded"
            raise InputError(Problem(path.name, 0, 0, "x, y, z", wrong, accepted))

    def _record(self, session: str, fit: RegistrationFit) -> RegistrationRecord:
        """Record of the registration of a session."""
        target = np.array(self.instrument.target_offset) + fit.target_offset
        rms = float(np.sqrt(np.mean(np.sum(fit.residuals**2, axis=1))))
        return RegistrationRecord(
            session, fit.angle, fit.rpy, vector(fit.translation), vector(target), rms, 1.0 / fit.scale - 1.0
        )  # fmt: skip


def _sessions(arm: MeasuredArm) -> list[str]:
    """Names of the sessions of an arm; one session without a name if none is stated."""
    return list(dict.fromkeys(arm.sessions.get(name, "") for name in arm.visits))


def without_frame(registered: RegisteredArm, estimator: Estimator) -> MeasuredArm:
    """Readings with the part that a fit of frame and target could explain projected out.

    Parameters
    ----------
    registered : RegisteredArm
    estimator : Estimator

    Returns
    -------
    MeasuredArm
        Displacements in the base frame. [m]
    """
    visits = registered.arm.visits
    means = estimator.readings.means(list(visits.values()))
    shifts = (estimator.projection @ means - means).reshape(-1, 3)
    return replace(
        registered.arm, visits={name: rows + shift for (name, rows), shift in zip(visits.items(), shifts, strict=True)}
    )


def setup_and_readings(
    study: Study, path: Path, joints: Mapping[str, Array], std: float | None, excluded: Collection[int] = ()
) -> tuple[Setup, tuple[MeasuredArm, ...]]:
    """Measurement setup of the arms of a file, and their readings.

    Parameters
    ----------
    study : Study
    path : Path
        Measurement file, as read by `documents.measured_points`.
    joints : mapping of pose to (joints,) [rad or m]
        Poses that the file may name.
    std : float, optional
        As in `Setup.of`.
    excluded : collection of int
        Lines of readings that are left out.

    Returns
    -------
    setup : Setup
    arms : tuple of MeasuredArm

    Raises
    ------
    InputError
        As `read_points` and `Setup.register`; or uncertainties given both in the file and by ``std``.
    """
    setup, arm = Setup.of(study, std), study.scenario.machine.arm
    commanded = {name: (joints[name], frame[:3, 3]) for name, frame in setup.targets(joints).items()}
    rotary = tuple(joint.revolute for joint in arm.joints)

    def position(joint_positions: Array) -> Array:
        return setup.machine.arm.postures(joint_positions, []).tool[:, :3, 3]

    arms = read_points(path, commanded, setup.fits_registration, JointColumns(arm.names, rotary, position), excluded)
    if std is not None and any(readings.uncertainties for readings in arms):
        accepted = "one of them: the uncertainties of the file, or --instrument"
        wrong = "uncertainties of the readings beside --instrument"
        raise InputError(Problem(path.name, 1, 1, "header", wrong, accepted))
    return setup.with_fitted_target(arms, path), arms
