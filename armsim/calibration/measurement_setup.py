"""How arms were measured: the machine as an instrument sees it, its readings brought into the base frame."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from armsim.arrays import Array
from armsim.calibration.calibration_records import RegistrationRecord
from armsim.calibration.estimate_correction import spread_at
from armsim.calibration.identifiable import with_target
from armsim.calibration.linear_population import Linear
from armsim.calibration.posterior import Estimator
from armsim.calibration.registration import nuisance, registered
from armsim.documents.measured_points import FAR, JointColumns, MeasuredArm, read_points
from armsim.errors import InputError, Problem
from armsim.model.calibration_plan import Instrument
from armsim.model.machine import Machine
from armsim.results.poses import vector
from armsim.study import Study


@dataclass(frozen=True, eq=False)
class Setup:
    """An instrument, and the machine as it sees it.

    Parameters
    ----------
    machine : Machine
        With the target on its tool, where it is stated to sit.
    instrument : Instrument
        With the standard deviation of its readings.
    """

    machine: Machine
    instrument: Instrument

    @staticmethod
    def of(study: Study, std: float | None) -> Setup:
        """As the calibration of the scenario states it; ``std`` along every axis in place of what stands there. [m]"""
        calibration, machine = study.scenario.calibration, study.scenario.machine
        instrument = Instrument() if calibration is None else calibration.instrument
        if std is not None:
            instrument = replace(instrument, std=(std, std, std), std_per_distance=0.0)
        return Setup(with_target(machine, replace(instrument, pose="known", target="known")), instrument)

    @property
    def fitted(self) -> bool:
        """Whether frame or target is fitted."""
        return "identified" in (self.instrument.pose, self.instrument.target)

    def targets(self, joints: Mapping[str, Array]) -> dict[str, Array]:
        """Nominal frames of the target in the base frame at the joint positions of poses, shape (4, 4) each. [m]"""
        frames = self.machine.arm.postures(np.array(list(joints.values())), []).tool
        return dict(zip(joints, frames, strict=True))

    def spread(self, joints: Array) -> Array:
        """Standard deviation of a reading along x, y, z at joint positions (M, joints), shape (M, 3). [m]"""
        return spread_at(self.instrument, self.machine.arm.postures(joints, []).tool)

    def settled(self, arms: Sequence[MeasuredArm], path: Path) -> Setup:
        """The same with the target where it really sits, by all arms: errors of the wrist act on it there.

        Raises
        ------
        InputError
            As `register`.
        """
        if self.instrument.target != "identified":
            return self
        places = [record.target for _, record in (self.register(arm, path) for arm in arms) if record]
        offset = np.mean(places, axis=0) - np.array(self.instrument.target_offset)
        machine = with_target(self.machine, Instrument(target_offset=vector(offset)))
        return Setup(machine, replace(self.instrument, target_offset=vector(np.mean(places, axis=0))))

    def register(self, arm: MeasuredArm, path: Path) -> tuple[MeasuredArm, RegistrationRecord | None]:
        """The readings of an arm in the base frame, and the frame and target that were fitted for that.

        Raises
        ------
        InputError
            What is left of the readings after the fit is no error of an arm.
        """
        if not self.fitted:
            return arm, None
        targets = self.targets(arm.joints)
        frames = np.concatenate([np.repeat(targets[name][None], len(rows), 0) for name, rows in arm.visits.items()])
        fit = registered(np.concatenate(list(arm.points.values())), frames, self.instrument)
        distances = np.linalg.norm(fit.away, axis=1)
        if distances.max() > FAR:
            names = [name for name, rows in arm.visits.items() for _ in rows]
            worst = names[int(np.argmax(distances))]
            wrong = f"{1e3 * distances.max():.4g} mm left at {worst!r} after the fit of frame and target"
            accepted = f"readings of this arm at these poses, {1e3 * FAR:g} mm at most from where it is commanded"
            raise InputError(Problem(path.name, 0, 0, "x, y, z", wrong, accepted))
        ends = np.cumsum([len(rows) for rows in arm.visits.values()])[:-1]
        visits = dict(zip(arm.visits, np.split(fit.away, ends), strict=True))
        target = np.array(self.instrument.target_offset) + fit.target
        rms = float(np.sqrt(np.mean(distances**2)))
        return replace(arm, visits=visits), RegistrationRecord(fit.angle, vector(fit.shift), vector(target), rms)

    def estimator(self, joints: Array, counts: Sequence[int], path: Path) -> Estimator:
        """Of the coefficients of arms from so many visits at joint positions (M, joints), frame and target taken out.

        Raises
        ------
        InputError
            The poses do not tell frame and target apart.
        """
        columns = nuisance(self.machine.arm.postures(joints, []).tool, self.instrument)
        try:
            return Estimator.of(Linear.of(self.machine, joints), counts, self.spread(joints), columns)
        except ArithmeticError as error:
            wrong = f"{len(joints)} poses that do not tell frame and target apart"
            accepted = "more poses, turned against each other"
            raise InputError(Problem(path.name, 0, 0, "pose", wrong, accepted)) from error


def without_frame(arm: MeasuredArm, estimator: Estimator) -> MeasuredArm:
    """Readings less what the errors of the arm made of the fit of frame and target."""
    means = np.concatenate([rows.mean(axis=0) for rows in arm.visits.values()])
    shifts = (estimator.projection @ means - means).reshape(-1, 3)
    visits = {name: rows + shift for (name, rows), shift in zip(arm.visits.items(), shifts, strict=True)}
    return replace(arm, visits=visits)


def measured_by(
    study: Study, path: Path, joints: Mapping[str, Array], std: float | None, excluded: Collection[int] = ()
) -> tuple[Setup, tuple[MeasuredArm, ...]]:
    """How the arms of a file were measured, and their readings.

    Parameters
    ----------
    study : Study
    path : Path
        Of `documents.measured_points`.
    joints : mapping of pose to (joints,) [rad or m]
        Poses that the file may name.
    std : float, optional
        As of `Setup.of`.
    excluded : collection of int
        Lines of readings that are left out.

    Raises
    ------
    InputError
        As `read_points` and `Setup.register`.
    """
    setup, arm = Setup.of(study, std), study.scenario.machine.arm
    commanded = {name: (joints[name], frame[:3, 3]) for name, frame in setup.targets(joints).items()}
    rotary = tuple(joint.revolute for joint in arm.joints)

    def position(at: Array) -> Array:
        return setup.machine.arm.postures(at, []).tool[:, :3, 3]

    arms = read_points(path, commanded, setup.fitted, JointColumns(arm.names, rotary, position), excluded)
    return setup.settled(arms, path), arms
