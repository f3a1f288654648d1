"""What a calibration leaves of the errors that a built arm keeps, by first order, over the poses of the tasks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from armsim.arrays import Array
from armsim.engine.firstorder import linearise
from armsim.hardware.records import CauseLeftRecord, CurvePointRecord, StepRecord
from armsim.identification.corrected import Measurement
from armsim.identification.parameters import INSTRUMENT, TARGET, groups_of, parameters_of
from armsim.identification.where import Choosing
from armsim.model.calibration import Identified
from armsim.model.configurations import Configurations
from armsim.model.correction import NAME
from armsim.model.machine import Machine
from armsim.tasks import PoseSet

MOST_POSES = 60
"""Poses of a task that the curve looks at, evenly through it."""
COUNTS = (5, 8, 12, 20, 30, 50, 70, 100)
"""Numbers of poses of the curve."""
SETS = 20
"""Sets at random for every number of poses."""
ARMS = 400
"""Arms drawn for the spread between them."""


@dataclass(frozen=True, eq=False)
class Left:
    """Where it is looked at: some poses of every task."""

    configurations: tuple[Configurations, ...]

    @staticmethod
    def at(found: Sequence[PoseSet]) -> Left:
        """Poses evenly through every task."""
        out = []
        for poses in found:
            number = len(poses.names)
            some = np.unique(np.linspace(0, number - 1, min(number, MOST_POSES)).astype(np.int64))
            out.append(poses.configurations[some])
        return Left(tuple(out))

    def rms(self, machine: Machine) -> float:
        """Over arms and poses, every task alike. [m]"""
        return float(np.sqrt(sum(self._by_cause(machine).values())))

    def causes(self, before: Machine, after: Machine) -> tuple[CauseLeftRecord, ...]:
        """Cause by cause, the largest first."""
        one, two = self._by_cause(before), self._by_cause(after)
        names = sorted({*one, *two}, key=lambda name: -one.get(name, 0.0))
        return tuple(CauseLeftRecord(name, one.get(name, 0.0) ** 0.5, two.get(name, 0.0) ** 0.5) for name in names)

    def _by_cause(self, machine: Machine) -> dict[str, float]:
        out: dict[str, float] = {}
        for own in self.configurations:
            evaluated = machine.evaluated(own)
            linear = linearise(evaluated)
            weight = 1.0 / len(own) / len(self.configurations)
            for term, part in zip(evaluated.terms, linear.contributions, strict=True):
                if term.life == "unit":
                    out[term.cause] = out.get(term.cause, 0.0) + weight * float(part.sum())
            mean = weight * float(np.sum(linear.mean**2))
            if mean:
                out["mean of all"] = out.get("mean of all", 0.0) + mean
        return out

    def spread(self, machine: Machine, seed: int) -> tuple[float, float]:
        """What 5 and 95 % of arms have, rms over the poses. [m]"""
        rng = np.random.default_rng(seed)
        squares = np.zeros(ARMS)
        for own in self.configurations:
            moved: Array = np.zeros((3 * len(own), ARMS))
            state = np.random.default_rng(rng.integers(2**31))
            for term, gain in machine.evaluated(own).gains():
                if term.life == "unit":
                    added = term.name == NAME
                    drawn = _independent(term.covariance, term.mean, state) if added else term.draw(state, ARMS)
                    moved += gain.reshape(3 * len(own), -1) @ drawn
                else:
                    moved += (gain @ term.mean).reshape(-1, 1)
            squares += np.sum(moved**2, axis=0) / len(own) / len(self.configurations)
        low, high = np.quantile(np.sqrt(squares), (0.05, 0.95))
        return float(low), float(high)


def _independent(covariance: Array, mean: Array, rng: np.random.Generator) -> Array:
    values, vectors = np.linalg.eigh(covariance)
    normal = rng.standard_normal((len(mean), ARMS))
    return np.asarray(mean[:, None] + vectors @ (np.sqrt(np.maximum(values, 0.0))[:, None] * normal))


def curve(choosing: Choosing, left: Left, counts: Iterable[int], seed: int) -> tuple[CurvePointRecord, ...]:
    """Error left against the number of poses, chosen and at random."""
    out, machine = [], choosing.machine
    criterion = choosing.calibration.poses.choice
    for count in counts:
        chosen = choosing.chosen(count, "error" if criterion == "random" else criterion)
        best = choosing.measurement(chosen).calibrated(machine)
        others = [
            left.rms(choosing.measurement(choosing.chosen(count, "random", draw)).calibrated(machine))
            for draw in range(1, SETS + 1)
        ]
        low, middle, high = np.quantile(others, (0.05, 0.5, 0.95)).tolist()
        own = left.rms(best), left.spread(best, seed)
        out.append(CurvePointRecord(count, *own, middle, (low, high)))
    return tuple(out)


def counts_for(candidates: int) -> list[int]:
    """Numbers of poses of the curve, among so many candidates."""
    return [count for count in COUNTS if count <= candidates]


def steps(machine: Machine, measurement: Measurement, left: Left) -> tuple[StepRecord, ...]:
    """What is left when one group after the other is identified."""
    calibration = measurement.calibration
    asked = parameters_of(machine, calibration.instrument, calibration.identify)
    groups = [name for name in groups_of(asked) if name not in (INSTRUMENT, TARGET)]
    out = [StepRecord("none", 0, left.rms(machine))]
    for number in range(1, len(groups) + 1):
        known = groups[:number]
        whole = calibration.identify
        part = Identified(
            whole.zeros, "links" in known, "stiffness" in known,
            whole.output_orders if "output_orders" in known else {},
            whole.input_orders if "input_orders" in known else {},
        )  # fmt: skip
        part = replace(part, zeros="zeros" in known)
        own = replace(measurement, calibration=replace(calibration, identify=part))
        kept = len(own.estimate(machine).parameters)
        out.append(StepRecord(groups[number - 1], kept, left.rms(own.calibrated(machine))))
    return tuple(out)
