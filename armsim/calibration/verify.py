"""Verification: comparison of the measured tool points of arms with the predicted population."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from pathlib import Path
from typing import Any, Literal

import numpy as np

from armsim.arrays import Array
from armsim.calibration.calibration_records import (
    ArmRecord,
    DirectionRecord,
    DistanceRecord,
    ExpectedRecord,
    PoseRecord,
    ScaleRecord,
)
from armsim.calibration.cause_diagnosis import cause_records, scale_records
from armsim.calibration.measured_distances import distance_pairs, distances
from armsim.calibration.measured_population import SimulatedMeasurements, measured_units
from armsim.calibration.measurement_setup import Setup, setup_and_readings, without_frame
from armsim.calibration.outlying_readings import Prediction, ReadingReference, ReadingSample, screen_outliers
from armsim.calibration.posterior import Estimator, Posterior, PredictedPoses, predicted_errors
from armsim.calibration.rank_tests import SIGNIFICANT, TESTS, RankTests, Reference
from armsim.calibration.registered_arm import RegisteredArm
from armsim.calibration.rescaled_spreads import RescaledSpreads
from armsim.calibration.visit_causes import VisitCauses, VisitSample, scatter_records
from armsim.documents.measured_points import MeasuredArm
from armsim.model.configurations import Configurations
from armsim.results import Grid
from armsim.results.json_records import NotInRecord, record_as_dict
from armsim.sampling.chunk import RunSpec
from armsim.sampling.measures import direction_variation
from armsim.sampling.statistics import LEVEL, pose_accuracy, pose_repeatability
from armsim.study import Study
from armsim.tasks import PoseSet

UNITS, UNITS_A_TEST, MOST_UNITS = 4000, 500, 40_000
"""Number of simulated arms of a reference distribution, least per test, and largest: enough for a single pose or cause
of one arm to be significant among all."""
MOST_READINGS = 10_000_000
"""Largest number of poses times simulated arms; it limits the number of arms."""
RESAMPLED = 1000
"""Number of resamplings of the visits for the interval of RP."""


@dataclass(frozen=True, eq=False)
class Verified:
    """Result of `armsim verify`.

    ``excluded`` are lines left out on request. ``grids`` are the grids of the slices among the tasks, with the names of
    their poses. ``unresolved`` are causes whose spread the arms do not resolve; it is taken as stated.
    """

    scenario: str
    file: str
    instrument: float
    arms: tuple[ArmRecord, ...]
    scales: tuple[ScaleRecord, ...]
    unresolved: tuple[str, ...]
    excluded: tuple[int, ...] = ()
    grids: NotInRecord[dict[str, tuple[Grid, tuple[str, ...]]]] = field(default_factory=dict)
    format: Literal["armsim-verify/1"] = "armsim-verify/1"

    @property
    def compatible(self) -> bool:
        """Whether every arm is compatible with the population, and no reading is outlying."""
        return all(arm.compatible and not arm.outliers and not arm.too_many_outliers for arm in self.arms)

    def to_dict(self) -> dict[str, Any]:
        """Dictionary for JSON, in SI units."""
        return record_as_dict(self)


def verify(study: Study, path: Path, instrument: float | None = None, excluded: Collection[int] = ()) -> Verified:
    """Compare measured arms with the predicted population of a scenario.

    If the calibration of the scenario identifies the pose of the instrument or the position of its target, they are
    fitted for every arm and projected out of every statistic. Outlying readings are listed, and everything else is
    computed without them.

    Parameters
    ----------
    study : Study
    path : Path
        Measurement file, as read by `documents.measured_points`.
    instrument : float, optional
        Standard deviation of the instrument along each axis; by default that of the calibration of the scenario, or
        zero. [m]
    excluded : collection of int
        Lines of readings that are left out.

    Returns
    -------
    Verified

    Raises
    ------
    InputError
        The file is wrong, or the scenario has no pose at rest.
    """
    machine = study.scenario.machine
    joints = {name: q for name, (q, _) in poses_at_rest(study).items()}
    positions = np.array(list(joints.values()))
    setup, arms = setup_and_readings(study, path, joints, instrument, excluded)
    pairs = distance_pairs(study.find(), setup.machine.arm)
    grids = {
        task.name: (poses.grid, tuple(name if name in joints else f"{task.name}: {name}" for name in poses.names))
        for task, poses in zip(study.scenario.tasks, study.find(), strict=True)
        if poses.grid is not None and len(poses.grid.axes) == 2 and not poses.configurations.is_path
    }
    records, posteriors, instrument_sizes, references = [], [], list[float](), References(setup, study, path, len(arms))
    for readings in arms:
        reading_reference = references.distributions_for(setup.register(readings, path)).readings
        screen = screen_outliers(
            readings, path.name, references.refit, reading_reference, SIGNIFICANT / len(arms) / TESTS
        )
        read = setup.register(screen.arm, path)
        distributions = references.distributions_for(read)
        reference = distributions.arms
        arm = without_frame(read, reference.estimator) if setup.fits_registration else read.arm
        instrument_sizes.append(read.instrument_std)
        ranks = RankTests.of(arm, reference, SIGNIFICANT / len(arms))
        posterior = Posterior.of(reference.estimator, reference.estimator.readings.means(list(arm.visits.values())))
        predicted_poses = PredictedPoses.of(machine, positions, read.conditions.temperature_rises is not None)
        visits, scaled_spreads = list(arm.visits.values()), RescaledSpreads(posterior)
        if not ranks.compatible:
            scaled_spreads = RescaledSpreads.of(
                posterior, ranks, visits, read.covariance_roots, setup.registration_jacobian(read)
            )
        expectations = predicted_errors(scaled_spreads.posterior, predicted_poses, list(joints), scaled_spreads.ratio)
        scattered = ranks.scatter_p_value <= ranks.level
        by_visit = scatter_records(distributions.visit_model, distributions.visits, visits, ranks.level, scattered)
        records.append(
            replace(
                _record(
                    arm,
                    ranks,
                    posterior,
                    expectations,
                    instrument_sizes[-1],
                    distances(arm, pairs),
                    _directions_of(arm, study),
                ),
                registrations=read.registrations,
                outliers=screen.outliers,
                too_many_outliers=screen.too_many_outliers,
                scatter=by_visit,
                rescaled_spreads=scaled_spreads.factors,
                birge_ratio=scaled_spreads.ratio,
            )
        )
        posteriors.append(posterior)
    spreads = scale_records(posteriors, study.scenario.plan.seed)
    size = float(np.sqrt(np.mean(np.square(instrument_sizes))))
    return Verified(study.scenario.name, path.name, size, tuple(records), *spreads, tuple(sorted(excluded)), grids)


@dataclass(frozen=True, eq=False)
class Distributions:
    """Reference distributions of simulated arms, of their readings, and of the factors of causes drawn per visit."""

    arms: Reference
    readings: ReadingReference
    visit_model: VisitCauses
    visits: Array


@dataclass(frozen=True, eq=False)
class References:
    """Reference distributions for the arms of a file, one per measurement plan (poses, visits, conditions).

    Parameters
    ----------
    setup : Setup
    study : Study
    path : Path
    arms : int
        Number of arms in the file.
    """

    setup: Setup
    study: Study
    path: Path
    arms: int
    references: dict[tuple[object, ...], Distributions] = field(default_factory=dict)
    predictions: dict[tuple[object, ...], tuple[Estimator, Prediction]] = field(default_factory=dict)

    def distributions_for(self, arm: RegisteredArm) -> Distributions:
        """Reference distributions for an arm and its readings, computed once per measurement plan.

        Raises
        ------
        InputError
            As `Setup.estimator`.
        """
        key = arm.key
        if key not in self.references:
            setup, plan = self.setup, self.study.scenario.plan
            estimator, prediction = self._predicted(arm)
            groups = len(arm.joints)
            least = UNITS_A_TEST * max(groups, len(estimator.causes)) * self.arms
            units = min(max(UNITS, least), MOST_UNITS, max(UNITS, MOST_READINGS // groups))
            visits = measured_units(
                setup.machine, arm.joints, arm.counts, arm.covariance_roots, units, plan.seed, arm.conditions
            )  # fmt: skip
            sample = ReadingSample(prediction, SIGNIFICANT / self.arms / TESTS)
            oriented = arm.conditions.oriented.tolist()
            scatter = VisitSample(VisitCauses.of(estimator.linear, estimator.readings))
            monitored = scatter.collect(sample.collect(visits))
            simulated = SimulatedMeasurements.of(monitored, estimator.projection, estimator.readings, oriented)
            reference = Reference.of(estimator, simulated)
            self.references[key] = Distributions(
                reference, ReadingReference.of(sample), scatter.model, scatter.reference
            )  # fmt: skip
        return self.references[key]

    def refit(self, arm: MeasuredArm) -> tuple[Prediction, MeasuredArm]:
        """Prediction and readings as `outlying_readings.RefitReadings`."""
        read = self.setup.register(arm, self.path)
        return self._predicted(read)[1], read.arm

    def _predicted(self, arm: RegisteredArm) -> tuple[Estimator, Prediction]:
        """Estimator of an arm and prediction of its readings, computed once per measurement plan."""
        if arm.key not in self.predictions:
            estimator = self.setup.estimator(arm, self.path)
            prediction = Prediction(estimator.linear.mean, estimator.inverse, estimator.readings)
            self.predictions[arm.key] = estimator, prediction
        return self.predictions[arm.key]


def poses_at_rest(study: Study) -> dict[str, tuple[Array, Array]]:
    """Joint positions and commanded tool point of every pose of the tasks at rest.

    Returns
    -------
    mapping of name to ((joints,), (3,)) [rad or m, m]
        In the base frame. If two poses have the same name, that of the later one begins with the name of its task.
    """
    arm, out = study.scenario.machine.arm, dict[str, tuple[Array, Array]]()
    sets: list[tuple[str, PoseSet]] = [
        (task.name, poses)
        for task, poses in zip(study.scenario.tasks, study.find(), strict=True)
        if not poses.configurations.is_path
    ]
    for task, poses in sets:
        tools = arm.postures(poses.configurations.joints).tool[:, :3, 3]
        for name, q, tool in zip(poses.names, poses.configurations.joints, tools, strict=True):
            out[f"{task}: {name}" if name in out else name] = (q, tool)
    if not out:
        raise study.scenario.fault("tasks", "no pose at rest", "poses, a slice, a volume or ISO poses")
    return out


def _record(
    arm: MeasuredArm, ranks: RankTests, posterior: Posterior, expectations: tuple[ExpectedRecord, ...],
    instrument: float, between: tuple[DistanceRecord, ...], directions: tuple[DirectionRecord, ...],
) -> ArmRecord:  # fmt: skip
    """Record of an arm: its poses with their ranks, its distances, directions and causes."""
    poses = []
    positions = ((name, visits) for name, visits in arm.visits.items() if name not in arm.rotations)
    for n, (name, visits) in enumerate(positions):
        ap, rp = _pose_figures(visits)
        percentiles = ranks.accuracy_percentile[n], ranks.repeatability_percentile[n]
        bands = ranks.accuracy_population[n], ranks.repeatability_population[n]
        p_value, stands_out, left_out = ranks.by_pose[n], ranks.significant_at_poses[n], posterior.leave_one_out[n]
        poses.append(PoseRecord(name, len(visits), *ap, *rp, *bands, *percentiles, p_value, stands_out, left_out))
    scatter = float(np.sqrt(np.trace(posterior.estimator.linear.scatter, axis1=1, axis2=2).mean()))
    coarse = instrument * np.sqrt(3.0) > scatter > 0.0
    return ArmRecord(
        arm.name, ranks.units, ranks.p_value, ranks.scatter_p_value, ranks.level, ranks.compatible, tuple(poses),
        between, directions,
        cause_records(posterior, ranks), expectations, bool(coarse),
    )  # fmt: skip


def _directions_of(arm: MeasuredArm, study: Study) -> tuple[DirectionRecord, ...]:
    """vAP at the poses that were approached from several directions, with an interval by resampling of the visits.

    References
    ----------
    .. [1] ISO 9283:1998 7.2.3.
    .. [2] Davison, Hinkley (1997), 5.2: basic bootstrap interval, widened for few visits.
    """
    groups_of = {name: arm.by_direction(name) for name in arm.visits}
    poses = [name for name, ways in groups_of.items() if len(ways) > 1 and min(map(len, ways.values())) > 1]
    if not poses:
        return ()
    configurations = Configurations(np.array([arm.joints[name] for name in poses]))
    spec = RunSpec.in_one_block(study.scenario.machine, replace(study.scenario.plan, tolerance=None), LEVEL)
    population = direction_variation(spec, configurations, range(len(poses)), ["full"] * len(poses))
    out = []
    for name, units in zip(poses, population, strict=True):
        groups = groups_of[name]
        value = float(_variation([rows.mean(axis=0)[None] for rows in groups.values()])[0])
        rng = np.random.default_rng(len(arm.visits[name]))
        resamples, widening = [], 1.0
        for rows in groups.values():
            numbers = rng.integers(0, len(rows), (RESAMPLED, len(rows)))
            resamples.append(rows[numbers].mean(axis=1))
            widening = max(widening, np.sqrt(len(rows) / (len(rows) - 1.0)))
        low, high = np.quantile(_variation(resamples), (0.025, 0.975))
        ends = max(0.0, float(value - widening * (high - value))), float(value + widening * (value - low))
        low, middle, high = np.quantile(units, (0.05, 0.5, 0.95)).tolist()
        percentile = float(np.mean(units <= value))
        out.append(DirectionRecord(name, tuple(groups), value, ends, (low, middle, high), percentile))
    return tuple(out)


def _variation(centres: Sequence[Array]) -> Array:
    """Largest distance between any two barycentres, each of shape (n, 3), shape (n,). [m]"""
    distances_between = [np.linalg.norm(a - b, axis=1) for a, b in combinations(centres, 2)]
    return np.asarray(np.max(distances_between, axis=0))


FigureAndInterval = tuple[float | None, tuple[float, float] | None]


def _pose_figures(visits: Array) -> tuple[tuple[float, tuple[float, float] | None], FigureAndInterval]:
    """AP and RP of an arm at a pose, each with a 95 % interval by resampling of the visits; none for a single visit.

    References
    ----------
    .. [1] Davison, Hinkley (1997), 5.2: basic bootstrap interval, widened for few visits.
    """
    if len(visits) == 1:
        return (float(np.linalg.norm(visits[0])), None), (None, None)
    count = len(visits)
    rng = np.random.default_rng(count)
    resamples = visits[rng.integers(0, count, (RESAMPLED, count))]
    coordinates = np.transpose(resamples, (2, 1, 0))
    widening = np.sqrt(count / (count - 1.0))
    out = []
    for figure in (pose_accuracy, pose_repeatability):
        value = float(figure(visits.T[:, :, None])[0])
        low, high = np.quantile(figure(coordinates), (0.025, 0.975))
        ends = max(0.0, float(value - widening * (high - value))), float(value + widening * (value - low))
        out.append((value, ends))
    return out[0], out[1]
