"""What every option does to the mean square error at every pose, to first order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from armsim.engine.firstorder import linearise
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.model.options import Options
from armsim.model.places import Places
from armsim.spreads import Array


@dataclass(frozen=True, eq=False)
class Moments:
    """Of one part of a machine, at P poses.

    Parameters
    ----------
    mean : (P, 3) [m]
    scatter : (P,) [m^2]
        Trace of the covariance.
    visits : (P,) [m^2]
        The part of it that is of visit life.
    """

    mean: Array
    scatter: Array
    visits: Array

    def __add__(self, other: Moments) -> Moments:
        return Moments(self.mean + other.mean, self.scatter + other.scatter, self.visits + other.visits)

    @property
    def square(self) -> Array:
        """E|dp|^2, shape (P,): means add as vectors, scatters as squares. [m^2]"""
        return np.asarray(self.scatter + np.sum(self.mean**2, axis=1))


def moments_of(machine: Machine, places: Sequence[Places]) -> Moments:
    """Moments of a machine at the poses of all tasks, one after the other."""
    parts = []
    for own in places:
        situation = machine.there(own)
        linear = linearise(situation)
        visits = np.zeros(len(own))
        for term, contribution in zip(situation.terms, linear.contributions, strict=True):
            if term.life == "visit":
                visits += contribution
        parts.append((linear.mean, linear.contributions.sum(axis=0), visits))
    return Moments(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def fixed_part(machine: Machine, places: Sequence[Places]) -> Moments:
    """What no option changes: links, and the heat that they share."""
    return moments_of(replace(machine, joints=()), places)


def option_parts(machine: Machine, options: Options, places: Sequence[Places]) -> list[list[Moments]]:
    """What every option of every joint adds, gear and mastering of the joint included."""
    return [[moments_of(_alone(machine, option.joint), places) for option in own] for own in options.joints]


def _alone(machine: Machine, joint: Joint) -> Machine:
    """One joint of a machine, without the links; its own drift and the growth of its scale stay."""
    return replace(machine, joints=(joint,), tolerances=(), environment=replace(machine.environment, expansion=0.0))
