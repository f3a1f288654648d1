"""An arm with a sensor on every joint: the terms, and the states in which they are looked at."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from numpy.typing import ArrayLike

from armsim.model.arm import Arm, Postures
from armsim.model.joint import Joint
from armsim.physics import links
from armsim.shapes import State
from armsim.spreads import Array, Spread
from armsim.terms import Axis, Term


@dataclass(frozen=True, eq=False)
class Machine:
    """The physics assembled.

    Parameters
    ----------
    arm : Arm
    joints : tuple of Joint
        One for each joint of the arm, in its order.
    tolerances : tuple of (Axis, Spread)
        Of link parameters.
    """

    arm: Arm
    joints: tuple[Joint, ...]
    tolerances: tuple[tuple[Axis, Spread], ...] = ()

    @cached_property
    def terms(self) -> tuple[Term, ...]:
        """Every error term of the machine. One line here is all that a new effect needs."""
        terms: list[Term] = []
        for joint in self.joints:
            terms += joint.terms()
        for axis, tolerance in self.tolerances:
            terms += links.link_tolerance(axis, tolerance)
        return tuple(terms)

    @cached_property
    def price(self) -> float:
        """Price of the encoders. [cost units]"""
        return sum(joint.encoder.price for joint in self.joints)

    def at(self, q: ArrayLike, terms: Iterable[Term] | None = None) -> Situation:
        """The machine at joint positions, shape (poses, joints): axes, their postures, values of the shapes."""
        terms = self.terms if terms is None else tuple(terms)
        # axes that share a motion (a joint and its own link angle) share a column
        column: dict[int, int] = {}
        axes: list[Axis] = []
        for term in terms:
            for axis in term.axes:
                motion = self.arm.motion_of(axis)
                if motion not in column:
                    column[motion] = len(column)
                    axes.append(axis)
        order = sorted(range(len(axes)), key=lambda i: self.arm.motion_of(axes[i]))
        axes = [axes[i] for i in order]
        index = {self.arm.motion_of(axis): i for i, axis in enumerate(axes)}
        postures = self.arm.postures(q, axes)
        states = self._states(q)
        acts = tuple(
            tuple(
                (act.coefficient, index[self.arm.motion_of(act.axis)], act.shape.value(states[act.axis.joint]))
                for act in term.acts
            )
            for term in terms
        )
        return Situation(tuple(axes), postures, terms, acts)

    def _states(self, q: ArrayLike) -> dict[str, State]:
        import numpy as np

        positions = np.atleast_2d(np.asarray(q, dtype=float))
        return {name: State(positions[:, j]) for j, name in enumerate(self.arm.names)}


@dataclass(frozen=True, eq=False)
class Situation:
    """A machine at P poses, ready to be sampled or linearised.

    Parameters
    ----------
    axes : tuple of Axis
        The axes that any term moves, base first.
    postures : Postures
    terms : tuple of Term
    acts : tuple, one entry a term
        Tuples (coefficient, number of the axis, value of the shape, shape (P,)).
    """

    axes: tuple[Axis, ...]
    postures: Postures
    terms: tuple[Term, ...]
    acts: tuple[tuple[tuple[int, int, Array], ...], ...]
