"""The population of a scenario, measured the way an arm was: by first order, and arm by arm with its visits."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from armsim.arrays import Array
from armsim.asked import SamplingPlan
from armsim.engine.firstorder import gains
from armsim.engine.montecarlo import Sampler
from armsim.engine.plan import draw_units
from armsim.engine.statistics import pose_accuracy, pose_repeatability
from armsim.errormodel.terms import Term
from armsim.model.configurations import Configurations
from armsim.model.machine import Machine

VISIT_TASK = 0x7E57
"""Keys the random numbers of simulated measurements, apart from those of a study."""


@dataclass(frozen=True, eq=False)
class Linear:
    """What the unit coefficients do to the tool point at M poses, to first order.

    Parameters
    ----------
    terms : tuple of Term
        Of unit life.
    gain : (3 M, coefficients) [m]
    prior : (coefficients, coefficients)
        Their covariance.
    prior_mean : (coefficients,)
    fixed : (3 M,) [m]
        Mean of the visits.
    scatter : (M, 3, 3) [m^2]
        Covariance of one visit.
    """

    terms: tuple[Term, ...]
    gain: Array
    prior: Array
    prior_mean: Array
    fixed: Array
    scatter: Array

    def parts(self) -> Iterator[tuple[Term, slice]]:
        """Every cause, and its own among the coefficients."""
        at = 0
        for term in self.terms:
            yield term, slice(at, at + len(term.mean))
            at += len(term.mean)

    @property
    def mean(self) -> Array:
        """Of the displacements of the population, shape (3 M,). [m]"""
        return np.asarray(self.gain @ self.prior_mean + self.fixed)

    @staticmethod
    def of(machine: Machine, joints: Array) -> Linear:
        """At joint positions of shape (M, joints), the arm at rest."""
        evaluated = machine.evaluated(Configurations(joints))
        terms, columns, fixed, scatter = [], [], np.zeros((len(joints), 3)), np.zeros((len(joints), 3, 3))
        for term, g in gains(evaluated):
            if term.life == "unit":
                terms.append(term)
                columns.append(g.reshape(3 * len(joints), -1))
            else:
                fixed += g @ term.mean
                scatter += g @ term.covariance @ np.swapaxes(g, 1, 2)
        sizes = [len(term.mean) for term in terms]
        prior = np.zeros((sum(sizes), sum(sizes)))
        at = 0
        for term, size in zip(terms, sizes, strict=True):
            prior[at : at + size, at : at + size] = term.covariance
            at += size
        mean = np.concatenate([term.mean for term in terms]) if terms else np.zeros(0)
        gain = np.concatenate(columns, axis=1) if columns else np.zeros((3 * len(joints), 0))
        return Linear(tuple(terms), gain, prior, mean, fixed.ravel(), scatter)

    def noise(self, visits: Sequence[int], instrument: float) -> Array:
        """Covariance of the mean of so many visits at every pose, shape (3 M, 3 M). [m^2]"""
        out = np.zeros((3 * len(visits),) * 2)
        for n, count in enumerate(visits):
            own = slice(3 * n, 3 * n + 3)
            out[own, own] = (self.scatter[n] + instrument**2 * np.eye(3)) / count
        return out


def measured_units(
    machine: Machine, joints: Array, visits: Sequence[int], instrument: float, units: int, seed: int
) -> Iterator[Array]:
    """Visits of built units at every pose, through exact kinematics, as an instrument reads them.

    Yields
    ------
    (units, visits, 3) [m]
        Pose by pose: attained less commanded position.
    """
    evaluated = machine.evaluated(Configurations(joints))
    sampler = Sampler.prepare(evaluated, SamplingPlan(units, 2, seed))
    drawn = draw_units(machine.terms, SamplingPlan(units, 2, seed))
    rng = np.random.default_rng(np.random.SeedSequence([seed, VISIT_TASK]))
    for pose, count in enumerate(visits):
        moved, _ = sampler.follow(pose, pose, VISIT_TASK, drawn, 0, units, count)
        read = np.transpose(moved, (2, 1, 0))
        yield read + rng.normal(0.0, instrument, read.shape) if instrument else read


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
