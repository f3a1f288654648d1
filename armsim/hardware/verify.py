"""Measured tool points of built arms against the population that was predicted, and what they tell of the arm."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from armsim.arrays import Array
from armsim.documents.measured_points import MeasuredArm, read_points
from armsim.engine.statistics import pose_accuracy, pose_repeatability, student
from armsim.errors import InputError, Problem
from armsim.hardware.population import Linear, measured_units
from armsim.hardware.records import (
    ArmRecord,
    CauseRecord,
    DistanceRecord,
    ExpectedRecord,
    PoseRecord,
    ScaleRecord,
    VerifyRecord,
)
from armsim.results.plain import plain
from armsim.study import Study
from armsim.tasks import PoseSet

UNITS, UNITS_A_POSE, MOST_UNITS = 4000, 400, 40_000
"""Simulated arms measured the same way: as many as let one pose of all stand out, after Holm."""
RESAMPLED = 1000
"""Resamplings of the visits for the interval of RP."""
SIGNIFICANT = 0.01
"""Chance of a false alarm. Common practice, no source."""
EACH = SIGNIFICANT / 3
"""Shared by what is told at once: all poses together, single ones, the scatter of the visits."""
SURE = 0.01
"""Share of its prior variance that must be known of a cause before it is told whether it moved."""


@dataclass(frozen=True, eq=False)
class Verified:
    """What came of the measurement; `record` holds all of it."""

    record: VerifyRecord

    @property
    def compatible(self) -> bool:
        """Whether every arm may be one of the population."""
        return all(arm.compatible for arm in self.record.arms)

    def to_dict(self) -> dict[str, Any]:
        """For JSON, as `records.VerifyRecord`; SI units."""
        return plain(self.record)


def verify(study: Study, path: Path, instrument: float = 0.0) -> Verified:
    """Hold measured arms against the prediction of a scenario.

    Parameters
    ----------
    study : Study
    path : Path
        Of `documents.measured_points`.
    instrument : float
        Standard deviation of the instrument along each axis. [m]

    Raises
    ------
    InputError
        The file is wrong, or the scenario has no pose at rest.
    """
    machine = study.scenario.machine
    places = _at_rest(study)
    joints = {name: q for name, (q, _) in places.items()}
    arms = read_points(path, {name: tool for name, (_, tool) in places.items()})
    found, informed = [], []
    for arm in arms:
        names = list(arm.visits)
        at = np.array([joints[name] for name in names])
        counts = [len(arm.visits[name]) for name in names]
        linear = Linear.of(machine, at)
        units = min(max(UNITS, UNITS_A_POSE * len(names)), MOST_UNITS)
        simulated = Simulated.of(measured_units(machine, at, counts, instrument, units, study.scenario.plan.seed))
        tested = _tested(arm, names, linear, simulated, linear.noise(counts, instrument))
        updated = _Update.of(linear, np.concatenate([arm.visits[n].mean(axis=0) for n in names]), counts, instrument)
        everywhere = list(joints)
        expected = _expected(updated, Linear.of(machine, np.array(list(joints.values()))), everywhere)
        tools = {name: tool for name, (_, tool) in places.items()}
        found.append(_record(arm, names, tested, updated, expected, linear, instrument, _pairs(study), tools))
        informed.append((updated, linear))
    return Verified(VerifyRecord(study.scenario.name, path.name, instrument, tuple(found), _scales(informed)))


def _at_rest(study: Study) -> dict[str, tuple[Array, Array]]:
    """Joints and commanded position of every pose of the tasks at rest; with the name of the task where two agree."""
    arm, out = study.scenario.machine.arm, dict[str, tuple[Array, Array]]()
    sets: list[tuple[str, PoseSet]] = [
        (task.name, poses)
        for task, poses in zip(study.scenario.tasks, study.find(), strict=True)
        if poses.configurations.directions is None
    ]
    for task, poses in sets:
        tools = arm.postures(poses.configurations.joints).tool[:, :3, 3]
        for name, q, tool in zip(poses.names, poses.configurations.joints, tools, strict=True):
            out[f"{task}: {name}" if name in out else name] = (q, tool)
    if not out:
        file = str(study.scenario.sources[0].path) if study.scenario.sources else "scenario"
        raise InputError(Problem(file, 1, 1, "tasks", "no pose at rest", "poses, a slice, a volume or ISO poses"))
    return out


@dataclass(frozen=True, eq=False)
class _Tested:
    """Distances of an arm, and of simulated ones, from the middle of the population."""

    units: int
    chance: float
    scatter_chance: float
    by_pose: list[float]
    judged: list[bool]
    accuracy_place: list[float]
    repeatability_place: list[float]
    accuracy_population: list[tuple[float, float, float]]
    repeatability_population: list[tuple[float, float, float]]


@dataclass(frozen=True, eq=False)
class Simulated:
    """Arms of the population measured the same way: mean displacement at P poses, AP and RP.

    Parameters
    ----------
    means : (units, 3 P) [m]
    accuracy, repeatability : (P, units) [m]
    """

    means: Array
    accuracy: Array
    repeatability: Array

    @staticmethod
    def of(visits: Iterable[Array]) -> Simulated:
        """From visits of shape (units, visits, 3), pose by pose."""
        means, accuracy, repeatability = [], [], []
        for own in visits:
            across = np.transpose(own, (2, 1, 0))
            means.append(own.mean(axis=1))
            accuracy.append(pose_accuracy(across))
            repeatability.append(pose_repeatability(across))
        return Simulated(np.concatenate(means, axis=1), np.array(accuracy), np.array(repeatability))


def _tested(arm: MeasuredArm, names: Sequence[str], linear: Linear, simulated: Simulated, noise: Array) -> _Tested:
    """One p-value over all poses and one a pose, by rank among simulated arms measured the same way.

    The distance is that of Mahalanobis under the first-order mean and covariance; its law is not taken as chi-square
    but from the simulated arms, so that it holds whatever the laws are.

    References
    ----------
    .. [1] Davison, Hinkley, Bootstrap Methods and their Application (1997), 4.2: Monte Carlo tests, (1 + k) / (1 + n).
    """
    covariance = linear.gain @ linear.prior @ linear.gain.T + noise
    own = np.concatenate([arm.visits[name].mean(axis=0) for name in names])
    away = np.concatenate([own[None], simulated.means]) - linear.mean
    whole = _distances(away, covariance)
    by_pose = []
    for n in range(len(names)):
        part = slice(3 * n, 3 * n + 3)
        by_pose.append(_chance(_distances(away[:, part], covariance[part, part])))
    mine = Simulated.of(arm.visits[name][None] for name in names)
    accuracy = np.mean(simulated.accuracy <= mine.accuracy, axis=1).tolist()
    repeatability = np.mean(simulated.repeatability <= mine.repeatability, axis=1).tolist()
    # RP of all poses, every one in units of the middle of its population
    middles = np.maximum(np.median(simulated.repeatability, axis=1, keepdims=True), np.finfo(float).tiny)
    scatter = np.mean(np.concatenate([mine.repeatability, simulated.repeatability], axis=1) / middles, axis=0)
    bands = [
        [(low, middle, high) for low, middle, high in np.quantile(figure, (0.05, 0.5, 0.95), axis=1).T.tolist()]
        for figure in (simulated.accuracy, simulated.repeatability)
    ]
    return _Tested(
        len(simulated.means), _chance(whole), _chance(scatter), by_pose, _holm(by_pose), accuracy, repeatability, *bands
    )


def _distances(away: Array, covariance: Array) -> Array:
    """Squared distances of Mahalanobis of rows, in the directions that the covariance has."""
    values, vectors = np.linalg.eigh(covariance)
    kept = values > 1e-12 * values[-1]
    return np.asarray(np.sum((away @ vectors[:, kept]) ** 2 / values[kept], axis=1))


def _chance(distances: Array) -> float:
    """Share of the simulated that are as far off as the first, which was measured."""
    return float((1 + np.count_nonzero(distances[1:] >= distances[0])) / len(distances))


def _holm(chances: Sequence[float]) -> list[bool]:
    """Which of several are too small, all taken together. Source: Holm, Scand. J. Statist. 6 (1979) 65."""
    out = [False] * len(chances)
    for rank, n in enumerate(np.argsort(np.array(chances), kind="stable").tolist()):
        if chances[n] * (len(chances) - rank) > EACH:
            break
        out[n] = True
    return out


@dataclass(frozen=True, eq=False)
class _Update:
    """Unit coefficients after the measurement: the best linear estimate and its covariance.

    References
    ----------
    .. [1] Gauss-Markov with prior moments: Tarantola, Inverse Problem Theory (2005), 3.2.
    """

    coefficients: Array
    covariance: Array
    left_out: list[float]

    @staticmethod
    def of(linear: Linear, displacement: Array, counts: Sequence[int], instrument: float) -> _Update:
        noise = linear.noise(counts, instrument)
        within = linear.gain @ linear.prior @ linear.gain.T + noise
        inverse = np.linalg.pinv(within, rcond=1e-12, hermitian=True)
        reach = linear.prior @ linear.gain.T
        away = displacement - linear.mean
        coefficients = linear.prior_mean + reach @ inverse @ away
        covariance = linear.prior - reach @ inverse @ reach.T
        # the residual of a pose that is left out, and its covariance, from the inverse of the whole
        left_out = []
        for n in range(len(counts)):
            part = slice(3 * n, 3 * n + 3)
            own = np.linalg.pinv(inverse[part, part], hermitian=True)
            residual = own @ (inverse @ away)[part]
            left_out.append(float(residual @ np.linalg.pinv(own, hermitian=True) @ residual / 3.0))
        return _Update(coefficients, covariance, left_out)


def _expected(updated: _Update, everywhere: Linear, names: Sequence[str]) -> tuple[ExpectedRecord, ...]:
    """Displacement expected of this very arm at every pose, and the standard deviation that is left of it."""
    mean = (everywhere.gain @ updated.coefficients + everywhere.fixed).reshape(-1, 3)
    out = []
    for n, name in enumerate(names):
        rows = everywhere.gain[3 * n : 3 * n + 3]
        left = float(np.sqrt(max(np.trace(rows @ updated.covariance @ rows.T), 0.0)))
        prior = float(np.sqrt(max(np.trace(rows @ everywhere.prior @ rows.T), 0.0)))
        x, y, z = mean[n].tolist()
        out.append(ExpectedRecord(name, (x, y, z), float(np.linalg.norm(mean[n])), left, prior))
    return tuple(out)


def _causes(updated: _Update, linear: Linear) -> tuple[CauseRecord, ...]:
    """What the measurement says of every cause: by how many standard deviations it moved, how much of it is known."""
    out, at = [], 0
    for term in linear.terms:
        own = slice(at, at + len(term.mean))
        at += len(term.mean)
        prior, post = linear.prior[own, own], updated.covariance[own, own]
        size = float(np.trace(prior))
        if size <= 0.0:
            continue
        known = 1.0 - float(np.trace(post)) / size
        inverse = np.linalg.pinv(prior, rcond=1e-9, hermitian=True)
        rank = int(np.linalg.matrix_rank(prior, tol=1e-9 * size, hermitian=True))
        moved = updated.coefficients[own] - linear.prior_mean[own]
        deviations = float(np.sqrt(max(float(moved @ inverse @ moved), 0.0) / max(rank, 1)))
        joint, _, name = term.name.partition("/")
        out.append(CauseRecord(joint, term.cause, name or term.name, deviations, known))
    return tuple(sorted((own for own in out if own.known > SURE), key=lambda own: -own.deviations))


def _scales(arms: Sequence[tuple[_Update, Linear]]) -> tuple[ScaleRecord, ...]:
    """Of several arms, cause by cause: the spread that they show over the one that is stated, with its interval.

    The estimate of a coefficient scatters by what is known of it, prior less posterior; the sum of squares in those
    units is, for normal coefficients, of the chi-square law of as many degrees of freedom.
    """
    from scipy.stats import chi2

    if len(arms) < 2:
        return ()
    squares: dict[str, list[float]] = {}
    for updated, linear in arms:
        at = 0
        for term in linear.terms:
            own = slice(at, at + len(term.mean))
            at += len(term.mean)
            shrunk = linear.prior[own, own] - updated.covariance[own, own]
            size = float(np.trace(linear.prior[own, own]))
            if size <= 0.0 or float(np.trace(shrunk)) <= SURE * size:
                continue
            values, vectors = np.linalg.eigh(shrunk)
            kept = values > 1e-3 * values[-1]
            moved = (updated.coefficients[own] - linear.prior_mean[own]) @ vectors[:, kept]
            entry = squares.setdefault(term.cause, [0.0, 0.0])
            entry[0] += float(np.sum(moved**2 / values[kept]))
            entry[1] += int(np.count_nonzero(kept))
    out = []
    for cause, (total, freedom) in squares.items():
        low, high = (float(np.sqrt(total / chi2.ppf(p, freedom))) for p in (0.975, 0.025))
        out.append(ScaleRecord(cause, float(np.sqrt(total / freedom)), (low, high), int(freedom)))
    return tuple(sorted(out, key=lambda own: -abs(np.log(max(own.scale, 1e-12)))))


def _record(
    arm: MeasuredArm, names: Sequence[str], tested: _Tested, updated: _Update, expected: tuple[ExpectedRecord, ...],
    linear: Linear, instrument: float, pairs: Sequence[tuple[str, str]], tools: Mapping[str, Array],
) -> ArmRecord:  # fmt: skip
    poses = []
    for n, name in enumerate(names):
        visits = arm.visits[name]
        ap, rp = _of_visits(visits)
        places = tested.accuracy_place[n], tested.repeatability_place[n]
        bands = tested.accuracy_population[n], tested.repeatability_population[n]
        chance, judged, left_out = tested.by_pose[n], tested.judged[n], updated.left_out[n]
        poses.append(PoseRecord(name, len(visits), *ap, *rp, *bands, *places, chance, judged, left_out))
    scatter = float(np.sqrt(np.trace(linear.scatter, axis1=1, axis2=2).mean()))
    coarse = instrument * np.sqrt(3.0) > scatter > 0.0
    compatible = min(tested.chance, tested.scatter_chance) > EACH and not any(tested.judged)
    return ArmRecord(
        arm.name, tested.units, tested.chance, tested.scatter_chance, compatible, tuple(poses),
        _distances_of(arm, pairs, tools),
        _causes(updated, linear), expected, bool(coarse),
    )  # fmt: skip


def _pairs(study: Study) -> list[tuple[str, str]]:
    """Poses between which a task asks for the distance."""
    out = []
    for poses in study.find():
        out += [(poses.names[a], poses.names[b]) for a, b in poses.pairs]
    return out


def _distances_of(
    arm: MeasuredArm, pairs: Sequence[tuple[str, str]], tools: Mapping[str, Array]
) -> tuple[DistanceRecord, ...]:
    """AD and RD between poses that were both measured, visit by visit.

    References
    ----------
    .. [1] ISO 9283:1998 7.3 (clause number from memory).
    """
    out = []
    for a, b in pairs:
        if a in arm.visits and b in arm.visits:
            count = min(len(arm.visits[a]), len(arm.visits[b]))
            apart = tools[b] + arm.visits[b][:count] - tools[a] - arm.visits[a][:count]
            attained = np.linalg.norm(apart, axis=1)
            value = float(attained.mean() - np.linalg.norm(tools[b] - tools[a]))
            spread = float(attained.std(ddof=1))
            half = student(count - 1) * spread / np.sqrt(count)
            out.append(DistanceRecord((a, b), value, (value - half, value + half), 3.0 * spread))
    return tuple(out)


def _of_visits(visits: Array) -> tuple[tuple[float, tuple[float, float]], tuple[float, tuple[float, float]]]:
    """AP and RP of an arm at a pose, each with its 95 % interval, visits resampled.

    References
    ----------
    .. [1] Davison, Hinkley (1997), 5.2: basic bootstrap interval, widened for few visits.
    """
    count = len(visits)
    rng = np.random.default_rng(count)
    again = visits[rng.integers(0, count, (RESAMPLED, count))]
    across = np.transpose(again, (2, 1, 0))
    grown = np.sqrt(count / (count - 1.0))
    out = []
    for figure in (pose_accuracy, pose_repeatability):
        value = float(figure(visits.T[:, :, None])[0])
        low, high = np.quantile(figure(across), (0.025, 0.975))
        ends = max(0.0, float(value - grown * (high - value))), float(value + grown * (value - low))
        out.append((value, ends))
    return out[0], out[1]
