"""Measurement setup of arms: the machine as an instrument sees it, its readings transformed to the base frame.

`verify` and `calibrate` both use this model of a reading.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from armsim.arrays import Array
from armsim.calibration.calibration_records import RegistrationRecord
from armsim.calibration.estimate_correction import spread_at
from armsim.calibration.linear_population import Linear
from armsim.calibration.measured_machine import nuisance_axes, with_target
from armsim.calibration.population_at_poses import jacobian_of
from armsim.calibration.posterior import Estimator
from armsim.calibration.reading_conditions import LEVER, Conditions, growth
from armsim.calibration.registered_arm import RegisteredArm
from armsim.calibration.registration import Fit, fit_registrations
from armsim.documents.measured_points import FAR, JointColumns, MeasuredArm, read_points
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
measured from one station have the same."""


@dataclass(frozen=True, eq=False)
class Setup:
    """A measuring instrument, and the machine with its targets as that instrument sees it.

    Parameters
    ----------
    machine_without_target : Machine
        Without a target.
    machine : Machine
        With the target on its tool, where it is stated to sit.
    instrument : Instrument
        With the standard deviation of its readings.
    offsets : mapping of session to (3,) [m]
        Offset of the target from that place, in the tool frame.
    """

    machine_without_target: Machine
    machine: Machine
    instrument: Instrument
    offsets: Mapping[str, Array] = field(default_factory=dict)

    @staticmethod
    def of(study: Study, std: float | None) -> Setup:
        """Setup by the calibration of the scenario; ``std`` along every axis replaces the stated one. [m]

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
        return Setup(machine, with_target(machine, fixed), instrument)

    @property
    def fitted(self) -> bool:
        """Whether frame, target or scale is fitted."""
        return "identified" in (self.instrument.pose, self.instrument.target, self.instrument.scale)

    def targets(self, joints: Mapping[str, Array]) -> dict[str, Array]:
        """Nominal frames of the target in the base frame at the joint positions of poses, shape (4, 4) each. [m]"""
        frames = self.machine.arm.postures(np.array(list(joints.values())), []).tool
        return dict(zip(joints, frames, strict=True))

    def spread(self, joints: Array) -> Array:
        """Standard deviation of a reading along x, y, z at joint positions (M, joints), shape (M, 3). [m]"""
        return spread_at(self.instrument, self.machine.arm.postures(joints, []).tool)

    def with_fitted_target(self, arms: Sequence[MeasuredArm], path: Path) -> Setup:
        """Setup with the target offset fitted to all arms, since errors of the wrist act at the true target.

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
            for session, record in zip(_sessions(arm), self.register(arm, path).records, strict=True):
                target_offsets.setdefault(session, []).append(np.array(record.target))
        nominal = np.array(self.instrument.target_offset)
        return replace(
            self,
            offsets={
                name: np.mean(offsets_of_session, axis=0) - nominal
                for name, offsets_of_session in target_offsets.items()
            },
        )

    def register(self, arm: MeasuredArm, path: Path) -> RegisteredArm:
        """The readings of an arm in the base frame, growth at measured temperatures taken from them.

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
            Residuals of the fit are too large for an error of an arm; or it has orientations that the instrument
            does not read.
        """
        if arm.rotations and self.instrument.angular_std <= 0.0:
            accepted = "calibration: {instrument: {angular_std: 20 urad}}, the standard deviation about every axis"
            raise InputError(Problem(path.name, 1, 1, "header", "orientations, but no angular_std", accepted))
        names, conditions = list(arm.visits), self._conditions(arm)
        joints, rises = np.array([arm.joints[name] for name in names]), self._rises(arm)
        turned = [names.index(name) for name in arm.rotations]
        groups = [*range(len(names)), *turned]
        thermal_growth = (
            np.zeros((len(groups), 3)) if rises is None else growth(self.machine, joints[groups], conditions)
        )
        shifts = [
            rise[:, None] * per_kelvin
            for rise, per_kelvin in zip((rises or [np.zeros(1)] * len(groups)), thermal_growth, strict=True)
        ]
        frames = self.machine.arm.postures(joints, []).tool
        fits = self._fits(arm, frames, shifts, conditions)
        visits, turns_of = self._positions(arm, fits, shifts, conditions), self._turns(arm, frames, fits, conditions)
        self._check_far(visits, path)
        labels = [f"{names[n]}, orientation" for n in turned]
        for group, label in enumerate(labels, start=len(names)):
            visits[label] = turns_of[groups[group]] - shifts[group]
        stations = [fits[n] if fits else None for n in conditions.sessions.tolist()]
        covariance_roots = [self._covariance_roots(arm, name, frames[n], stations[n]) for n, name in enumerate(names)]
        covariance_roots += [LEVER * self.instrument.angular_std * np.eye(3)[None]] * len(turned)
        renamed = [(names[n], label) for n, label in zip(turned, labels, strict=True)]
        arm_with_orientations = replace(
            arm,
            visits=visits,
            joints=arm.joints | {label: arm.joints[name] for name, label in renamed},
            lines=arm.lines | {label: arm.lines[name] for name, label in renamed if name in arm.lines},
            rotations={label: arm.rotations[name] for name, label in renamed},
        )
        sessions = _sessions(arm)
        records = [
            self._record(name if len(sessions) > 1 else "", fit) for name, fit in zip(sessions, fits, strict=False)
        ]
        return RegisteredArm(arm_with_orientations, conditions, tuple(covariance_roots), tuple(records))

    def estimator(self, read: RegisteredArm, path: Path) -> Estimator:
        """Estimator of the unit coefficients of an arm, with frames, target offsets and scale projected out.

        Parameters
        ----------
        read : RegisteredArm
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
        linear = Linear.of(self.machine, read.joints, read.conditions)
        try:
            return Estimator.of(linear, read.counts, read.covariance_roots, self.registration_jacobian(read))
        except ArithmeticError as error:
            wrong = f"{len(read.joints)} poses from which frame and target are not separately identifiable"
            accepted = "more poses, turned against each other"
            raise InputError(Problem(path.name, 0, 0, "pose", wrong, accepted)) from error

    def registration_jacobian(self, read: RegisteredArm) -> Array:
        """Jacobian of the displacements of an arm by frames, target offsets and scale, shape (3 M, columns)."""
        axes = nuisance_axes(self.instrument, read.conditions.layout)
        parameters = tuple(Parameter(str(axis), axis.owner, axis, Constant()) for axis in axes)
        machine = with_target(self.machine_without_target, self.instrument, read.conditions.layout)
        columns = jacobian_of(machine, Configurations(read.joints), parameters, read.conditions)
        return np.asarray(columns.reshape(3 * len(read.joints), -1))

    def _conditions(self, arm: MeasuredArm) -> Conditions:
        """Sessions, temperatures and orientations of the groups of readings of an arm."""
        names, sessions, rises = list(arm.visits), _sessions(arm), self._rises(arm)
        numbers = np.array([sessions.index(arm.sessions.get(name, "")) for name in names], dtype=np.int64)
        offsets = np.array([self.offsets.get(sessions[n], np.zeros(3)) for n in numbers])
        partners = np.array([*range(len(names)), *(names.index(name) for name in arm.rotations)], dtype=np.int64)
        means = None if rises is None else np.array([rise.mean() for rise in rises])
        centre = self.instrument.at if self.instrument.pose == "known" else (0.0, 0.0, 0.0)
        return Conditions(numbers[partners], means, partners, offsets[partners], centre, tuple(sessions))

    def _rises(self, arm: MeasuredArm) -> list[Array] | None:
        """Temperature above that of mastering at every reading of every group; None where it was not read. [K]"""
        if not arm.temperatures:
            return None
        mastering = self.machine.environment.mastering_temperature
        return [arm.temperatures[name] - mastering for name in (*arm.visits, *arm.rotations)]

    def _fits(
        self, arm: MeasuredArm, frames: Array, shifts: Sequence[Array], conditions: Conditions
    ) -> tuple[Fit, ...]:
        """Frame and target of every session; none where nothing is fitted."""
        if not self.fitted:
            return ()
        readings, target_poses = [], []
        for session in range(int(conditions.sessions.max()) + 1):
            members = [n for n in range(len(frames)) if conditions.sessions[n] == session]
            rows = [list(arm.points.values())[n] for n in members]
            frames_of_readings = [
                np.repeat(frames[n][None], len(at_pose), axis=0) for n, at_pose in zip(members, rows, strict=True)
            ]
            for n, at_pose in zip(members, frames_of_readings, strict=True):
                at_pose[:, :3, 3] += shifts[n]
            readings.append(np.concatenate(rows))
            target_poses.append(np.concatenate(frames_of_readings))
        return fit_registrations(readings, target_poses, self.instrument)

    def _positions(
        self, arm: MeasuredArm, fits: Sequence[Fit], shifts: Sequence[Array], conditions: Conditions
    ) -> dict[str, Array]:
        """Displacements of the target in the base frame, less growth, group by group."""
        if not fits:
            return {name: rows - shift for (name, rows), shift in zip(arm.visits.items(), shifts, strict=False)}
        out: dict[str, Array] = dict.fromkeys(arm.visits, np.zeros(0))
        for session, fit in enumerate(fits):
            members = [name for name, number in zip(arm.visits, conditions.sessions, strict=False) if number == session]
            ends = np.cumsum([len(arm.visits[name]) for name in members])[:-1]
            out.update(zip(members, np.split(fit.residuals, ends), strict=True))
        return out

    def _turns(self, arm: MeasuredArm, frames: Array, fits: Sequence[Fit], conditions: Conditions) -> dict[int, Array]:
        """Turns of the probe against the nominal arm times `LEVER`, by number of the group, shape (readings, 3).

        Where the target is identified, the orientation of its probe on the tool is too, per session.
        """
        from scipy.spatial.transform import Rotation

        names, out = list(arm.visits), {}
        for session in dict.fromkeys(conditions.sessions.tolist()):
            turn = fits[session].rotation if fits else np.eye(3)
            members = [names.index(name) for name in arm.rotations]
            members = [n for n in members if conditions.sessions[n] == session]
            read = {n: turn @ arm.rotations[names[n]] for n in members}
            seat = Rotation.identity()
            if members and self.instrument.target == "identified":
                seats = np.concatenate([frames[n, :3, :3].T @ read[n] for n in members])
                seat = Rotation.from_matrix(seats).mean()
            for n in members:
                turned = read[n] @ seat.as_matrix().T @ frames[n, :3, :3].T
                out[n] = LEVER * Rotation.from_matrix(turned).as_rotvec()
        return out

    def _covariance_roots(self, arm: MeasuredArm, name: str, frame: Array, fit: Fit | None) -> Array:
        """Roots of the covariance of the readings of a group, shape (readings or 1, 3, 3). [m]"""
        sizes = arm.uncertainties.get(name)
        if sizes is None:
            station = (
                None if fit is None or self.instrument.pose == "known" else np.round(fit.translation, STATION_DECIMALS)
            )
            return np.diag(spread_at(self.instrument, frame[None], station)[0])[None]
        distinct_sizes = sizes[:1] if np.all(sizes == sizes[0]) else sizes
        diagonal = distinct_sizes[:, :, None] * np.eye(3)
        return (
            diagonal
            if fit is None or np.all(distinct_sizes == distinct_sizes[:, :1])
            else np.asarray(fit.rotation @ diagonal)
        )

    def _check_far(self, visits: Mapping[str, Array], path: Path) -> None:
        """Raise an error where readings lie so far from the nominal poses that a fit of the frame would be wrong."""
        if not self.fitted:
            return
        distances = {name: float(np.linalg.norm(rows, axis=1).max()) for name, rows in visits.items()}
        worst = max(distances, key=lambda name: distances[name])
        if distances[worst] > FAR:
            wrong = f"{1e3 * distances[worst]:.4g} mm left at {worst!r} after the fit of frame and target"
            accepted = f"readings of this arm at these poses, {1e3 * FAR:g} mm at most from where it is commanded"
            raise InputError(Problem(path.name, 0, 0, "x, y, z", wrong, accepted))

    def _record(self, session: str, fit: Fit) -> RegistrationRecord:
        """Record of the registration of a session."""
        target = np.array(self.instrument.target_offset) + fit.target_offset
        rms = float(np.sqrt(np.mean(np.sum(fit.residuals**2, axis=1))))
        return RegistrationRecord(
            session, fit.angle, fit.rpy, vector(fit.translation), vector(target), rms, 1.0 / fit.scale - 1.0
        )  # fmt: skip


def _sessions(arm: MeasuredArm) -> list[str]:
    """Names of the sessions of an arm; one session without a name where none is stated."""
    return list(dict.fromkeys(arm.sessions.get(name, "") for name in arm.visits))


def without_frame(read: RegisteredArm, estimator: Estimator) -> MeasuredArm:
    """Readings less what the errors of the arm made of the fit of frame and target.

    Parameters
    ----------
    read : RegisteredArm
    estimator : Estimator

    Returns
    -------
    MeasuredArm
        Displacements in the base frame. [m]
    """
    visits = read.arm.visits
    means = estimator.readings.means(list(visits.values()))
    shifts = (estimator.projection @ means - means).reshape(-1, 3)
    return replace(
        read.arm, visits={name: rows + shift for (name, rows), shift in zip(visits.items(), shifts, strict=True)}
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
        As `read_points` and `Setup.register`; or uncertainties stated by the file and beside it.
    """
    setup, arm = Setup.of(study, std), study.scenario.machine.arm
    commanded = {name: (joints[name], frame[:3, 3]) for name, frame in setup.targets(joints).items()}
    rotary = tuple(joint.revolute for joint in arm.joints)

    def position(at: Array) -> Array:
        return setup.machine.arm.postures(at, []).tool[:, :3, 3]

    arms = read_points(path, commanded, setup.fitted, JointColumns(arm.names, rotary, position), excluded)
    if std is not None and any(readings.uncertainties for readings in arms):
        accepted = "one of them: the uncertainties of the file, or --instrument"
        raise InputError(
            Problem(path.name, 1, 1, "header", "uncertainties of the readings beside --instrument", accepted)
        )
    return setup.with_fitted_target(arms, path), arms
