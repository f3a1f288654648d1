"""The population at single poses, visit by visit, and what another machine changes in it.

A unit is one simulated arm with its own drawn error coefficients.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np

from armsim.arrays import Array
from armsim.errormodel.draws import FollowingDraw
from armsim.errormodel.shapes import Wave
from armsim.errormodel.terms import Act, Term
from armsim.model.configurations import Configurations
from armsim.model.machine import EvaluatedMachine, Machine
from armsim.sampling.monte_carlo import Sampler
from armsim.sampling.random_draws import draw_units
from armsim.sampling_plan import SamplingPlan


@dataclass(frozen=True, eq=False)
class FixedPhases(Machine):
    """A machine whose error waves have, at every pose, the phases of those of another machine.

    A little more of an order (signal periods, ratio of a gear) turns a fine wave by whole periods at a pose. Where the
    phase is drawn evenly that changes nothing but the noise of a difference; where it is stated, what remains is what
    the size of the wave does, and not where on it the pose happens to be.
    """

    like: Machine | None = None

    @staticmethod
    def of(machine: Machine, like: Machine) -> FixedPhases:
        """A machine whose error waves have the orders of those of another machine, and so their phases at a pose.

        Parameters
        ----------
        machine : Machine
        like : Machine
            Machine whose orders the waves keep.

        Returns
        -------
        FixedPhases
        """
        return FixedPhases(
            **{declared.name: getattr(machine, declared.name) for declared in fields(Machine)}, like=like
        )

    @cached_property
    def terms(self) -> tuple[Term, ...]:
        """Terms of the machine, each wave with the order that it has in the other machine."""
        terms = super().terms
        if self.like is None:
            return terms
        others = {term.name: term for term in self.like.terms}
        return tuple(_with_orders_of(term, others[term.name]) if term.name in others else term for term in terms)


def _with_orders_of(term: Term, like: Term) -> Term:
    if len(term.acts) != len(like.acts) or not any(isinstance(act.shape, Wave) for act in term.acts):
        return term
    return replace(term, acts=tuple(_at_phase(*pair) for pair in zip(term.acts, like.acts, strict=True)))


def _at_phase(act: Act, like: Act) -> Act:
    if isinstance(act.shape, Wave) and isinstance(like.shape, Wave) and act.shape.function == like.shape.function:
        return replace(act, shape=replace(act.shape, order=like.shape.order))
    return act


@dataclass(frozen=True, eq=False)
class PosePopulation:
    """A population at one pose.

    Parameters
    ----------
    plan : SamplingPlan
        Number of units and visits to follow singly; they are the first of the population of its seed.
    task : int
        Key of the task in the random numbers.
    configurations : Configurations
        Joint positions of the pose alone.
    evaluated : EvaluatedMachine
        The machine there.
    """

    plan: SamplingPlan
    task: int
    configurations: Configurations
    evaluated: EvaluatedMachine

    @staticmethod
    def of(machine: Machine, plan: SamplingPlan, task: int, configurations: Configurations) -> PosePopulation:
        """Population of a machine at a pose.

        Parameters
        ----------
        machine : Machine
        plan : SamplingPlan
        task : int
            Key of the task.
        configurations : Configurations
            One pose.

        Returns
        -------
        PosePopulation
        """
        return PosePopulation(plan, task, configurations, machine.evaluated(configurations))

    @cached_property
    def displacement(self) -> Array:
        """Tool-point error of every visit, shape (3, visits, units). [m]"""
        return self._made_by(self.evaluated, {term.name for term in self.evaluated.terms})

    @cached_property
    def distance(self) -> Array:
        """Length of the displacement, shape (visits, units). [m]"""
        return np.asarray(np.linalg.norm(self.displacement, axis=0))

    def with_machine(self, machine: Machine) -> Array | None:
        """Lengths of the same errors, unit by unit and visit by visit, with another machine, shape (visits, units). [m]

        Only what differs between the machines is drawn and moved; what both displacements together make beside their
        sum is of second order and left out. None where nothing differs.
        """
        other = machine.evaluated(self.configurations)
        before, after = _signatures(self.evaluated), _signatures(other)
        names = {name for name in {**before, **after} if not _same_draw_and_effect(before.get(name), after.get(name))}
        if not names:
            return None
        change = self._made_by(other, names) - self._made_by(self.evaluated, names)
        return np.asarray(np.linalg.norm(self.displacement + change, axis=0))

    def _made_by(self, evaluated: EvaluatedMachine, names: Collection[str]) -> Array:
        """Displacement by some terms, shape (3, visits, units), or (3, 1, units) where all visits have the same. [m]"""
        pairs = [
            (_uncorrelated_part(term), acts)
            for term, acts in zip(evaluated.terms, evaluated.acts, strict=True)
            if term.name in names
        ]
        if not pairs:
            return np.zeros((3, 1, self.plan.units))
        terms, acts = (tuple(column) for column in zip(*pairs, strict=True))
        part = EvaluatedMachine(evaluated.axes, evaluated.postures, terms, acts, acts)
        visits = self.plan.visits if any(term.life == "visit" for term in terms) else 1
        coefficients, number = draw_units(terms, self.plan), int(self.configurations.numbers[0])
        sampler = Sampler.prepare(part, self.plan)
        return sampler.follow(0, number, self.task, coefficients, 0, self.plan.units, visits)[0]


def _uncorrelated_part(term: Term) -> Term:
    """A term with its own coefficients; those that follow other terms are acts of an evaluated machine."""
    return replace(term, draw=term.draw.addition) if isinstance(term.draw, FollowingDraw) else term


Signature = tuple[Term, list[tuple[int, str, float]]]
"""A term, and what its coefficients do at the pose: number, axis, value."""


def _signatures(evaluated: EvaluatedMachine) -> dict[str, Signature]:
    return {
        term.name: (
            _uncorrelated_part(term),
            [(k, str(evaluated.axes[axis]), float(value[0])) for k, axis, value in acts],
        )
        for term, acts in zip(evaluated.terms, evaluated.acts, strict=True)
    }


def _same_draw_and_effect(one: Signature | None, other: Signature | None) -> bool:
    """Whether two terms draw and do the same."""
    if one is None or other is None:
        return False
    return one[1] == other[1] and one[0].draw == other[0].draw and one[0].life == other[0].life
