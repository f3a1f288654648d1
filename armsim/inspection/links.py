"""Terms of the links of a machine before any arm is sampled, with their effect at the tool."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from armsim.errormodel.shapes import State
from armsim.model.machine import Machine
from armsim.results import TermBudget
from armsim.sampling.joint_budgets import term_budget


@dataclass(frozen=True)
class LinkTerm:
    """One term on a constant of a link or frame: its parameter by its axis, unit (rad or m), mean [unit].

    ``at_tool`` is its root mean square by the largest lever arm over the ranges of the joints [m].
    """

    parameter: str
    unit: str
    term: TermBudget
    mean: float
    at_tool: float


def link_terms(machine: Machine) -> tuple[LinkTerm, ...]:
    """Every term of the links: tolerances and growth."""
    arm, state, evaluated = machine.perturbed_arm, State.at_rest(np.zeros(1)), machine.at(machine.survey())
    motions = [arm.motion_index(axis) for axis in evaluated.axes]
    levers = np.linalg.norm(evaluated.postures.column, axis=2).max(axis=0)
    out = []
    for term in machine.terms:
        for axis in term.axes:
            if not axis.belongs_to_joint:
                number, budget = arm.motion_index(axis), term_budget(term, axis, state)
                unit = "rad" if arm.motions[number].rotary else "m"
                at_tool = budget.rms * float(levers[motions.index(number)])
                out.append(LinkTerm(str(axis), unit, budget, float(term.mean_error(axis, state)[0]), at_tool))
    return tuple(out)
