"""Population at a single pose, visit by visit, and the same population of a changed machine.

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
from armsim.model.posture_cache import PostureCache
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling.random_draws import draw_units
from armsim.sampling_plan import SamplingPlan


@dataclass(frozen=True, eq=False)
class FixedPhases(Machine):
    """Machine whose error waves have, at every pose, the phases of those of another machine.

    A small change of the order of a wave (signal periods, gear ratio) turns a fine wave by whole periods at a pose. If
    the phase is drawn uniformly, that only adds noise to a difference of the two machines. If the phase is stated, the
    difference would depend on the phase that a pose happens to have, rather than on the size of the wave.
    """

    reference_machine: Machine | None = None

    @staticmethod
    def of(machine: Machine, reference_machine: Machine) -> FixedPhases:
        """Machine whose error waves have the orders of those of another machine, and so their phases at a pose.

        Parameters
        ----------
        machine : Machine
        reference_machine : Machine
            Machine from which the orders are taken.

        Returns
        -------
        FixedPhases
        """
        return FixedPhases(
            **{declared.name: getattr(machine, declared.name) for declared in fields(Machine)},
            reference_machine=reference_machine,
        )

    @cached_property
    def terms(self) -> tuple[Term, ...]:
        """Error terms of the machine, each wave with the order that it has in the other machine."""
        terms = super().terms
        if self.reference_machine is None:
            return terms
        others = {term.name: term for term in self.reference_machine.terms}
        return tuple(_with_orders_of(term, others[term.name]) if term.name in others else term for term in terms)


def _with_orders_of(term: Term, reference: Term) -> Term:
    if term is reference or len(term.acts) != len(reference.acts):
        return term
    acts = tuple(_with_order_of(*pair) for pair in zip(term.acts, reference.acts, strict=True))
    same = all(act is other for act, other in zip(acts, term.acts, strict=True))
    return term if same else replace(term, acts=acts)


def _with_order_of(act: Act, reference: Act) -> Act:
    shape, other = act.shape, reference.shape
    if not (isinstance(shape, Wave) and isinstance(other, Wave)) or shape.order == other.order:
        return act
    return replace(act, shape=replace(shape, order=other.order)) if shape.function == other.function else act


@dataclass(frozen=True, eq=False)
class PosePopulation:
    """A population at one pose.

    Parameters
    ----------
    plan : SamplingPlan
        Numbers of units (simulated arms) and visits; the units are the first of the population of its seed.
    task : int
        Key of the task in the random numbers.
    configurations : Configurations
        The pose: one configuration.
    evaluated : EvaluatedMachine
        The machine at the pose.
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
        return PosePopulation(plan, task, configurations, machine.evaluate(configurations))

    @cached_property
    def displacement(self) -> Array:
        """Tool-point error of every visit, shape (3, visits, units). [m]"""
        return self._displacement_by(self.evaluated, {term.name for term in self.evaluated.terms})

    @cached_property
    def distance(self) -> Array:
        """Length of the displacement, shape (visits, units). [m]"""
        return np.asarray(np.linalg.norm(self.displacement, axis=0))

    def with_machine(self, machine: Machine) -> Array | None:
        """Lengths of the errors of the same units and visits with another machine, shape (visits, units). [m]

        Only terms that differ between the machines are evaluated again, and their displacement is added to that of the
        others; the second-order effect of both together is neglected. None if no term differs.
        """
        other = machine.evaluate(self.configurations, self._postures)
        before, after = _signatures(self.evaluated), _signatures(other)
        names = {name for name in {**before, **after} if not _same_draw_and_effect(before.get(name), after.get(name))}
        if not names:
            return None
        change = self._displacement_by(other, names) - self._displacement_by(self.evaluated, names)
        return np.asarray(np.linalg.norm(self.displacement + change, axis=0))

    @cached_property
    def _postures(self) -> PostureCache:
        """Kinematics at the pose, which machines of other sensors share."""
        return PostureCache(self.configurations.joints)

    def _displacement_by(self, evaluated: EvaluatedMachine, names: Collection[str]) -> Array:
        """Displacement by some terms, shape (3, visits, units), or (3, 1, units) if all visits have the same. [m]"""
        pairs = [
            (_without_following(term), acts)
            for term, acts in zip(evaluated.terms, evaluated.acts, strict=True)
            if term.name in names
        ]
        if not pairs:
            return np.zeros((3, 1, self.plan.units))
        terms, acts = (tuple(column) for column in zip(*pairs, strict=True))
        part = EvaluatedMachine(evaluated.axes, evaluated.postures, terms, acts, acts)
        visits = self.plan.visits if any(term.life == "visit" for term in terms) else 1
        coefficients, number = draw_units(terms, self.plan), int(self.configurations.numbers[0])
        sampler = MachineAtPoses.prepare(part, self.plan)
        return sampler.visit_displacements(0, number, self.task, coefficients, 0, self.plan.units, visits)[0]


def _without_following(term: Term) -> Term:
    """Term with its own coefficients alone; an evaluated machine adds the effect of those that follow other terms."""
    return replace(term, draw=term.draw.addition) if isinstance(term.draw, FollowingDraw) else term


Signature = tuple[Term, list[tuple[int, str, float]]]
"""Term with the effects of its coefficients at the pose: index of the coefficient, axis, value."""


def _signatures(evaluated: EvaluatedMachine) -> dict[str, Signature]:
    return {
        term.name: (
            _without_following(term),
            [(k, str(evaluated.axes[axis]), float(value[0])) for k, axis, value in acts],
        )
        for term, acts in zip(evaluated.terms, evaluated.acts, strict=True)
    }


def _same_draw_and_effect(first: Signature | None, second: Signature | None) -> bool:
    """Whether two terms have the same draws and the same effects."""
    if first is None or second is None:
        return False
    return first[1] == second[1] and first[0].draw == second[0].draw and first[0].life == second[0].life
