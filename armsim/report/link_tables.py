"""Table of the tolerances and thermal growth of the links."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from armsim.causes import PART_OF
from armsim.errormodel.shapes import State
from armsim.formatting import significant
from armsim.model.machine import Machine
from armsim.report.frame import Frame, joint_errors, lengths, words
from armsim.sampling.joint_budgets import term_budget

TITLE = "links: tolerances and thermal growth"


def link_printout(machine: Machine) -> Iterator[Frame | str]:
    """Every term of the links, tolerances and growth, and the distributions of the temperature rises."""
    frame = link_frame(machine)
    if len(frame):
        yield frame
    rises = [("temperature rise, shared by all links, scales and drifts", machine.environment.temperature_rise)]
    rises += [(f"temperature rise of {joint.name} above that", joint.temperature_rise) for joint in machine.joints]
    for what, rise in rises:
        if rise is not None:
            std = math.sqrt(max(0.0, rise.second_moment - rise.mean**2))
            yield (
                f"{what}: {rise.distribution}, mean {significant(rise.mean, 3)} K, standard deviation "
                f"{significant(std, 3)} K"
            )


def link_frame(machine: Machine) -> Frame:
    """Table of the link terms; their effect at the tool is by the largest lever arm over the ranges of the joints."""
    arm, state, evaluated = machine.perturbed_arm, State.at_rest(np.zeros(1)), machine.at(machine.survey())
    motions = [arm.motion_of(axis) for axis in evaluated.axes]
    levers = np.linalg.norm(evaluated.postures.column, axis=2).max(axis=0)
    pairs = [(term, axis) for term in machine.terms for axis in term.axes if not axis.of_joint]
    motion_numbers = [arm.motion_of(axis) for _, axis in pairs]
    units = ["rad" if arm.motions[number].rotary else "m" for number in motion_numbers]
    budgets = [term_budget(term, axis, state) for term, axis in pairs]
    means = [float(term.expected(axis, state)[0]) for term, axis in pairs]
    at_tool = [
        budget.rms * float(levers[motions.index(number)])
        for budget, number in zip(budgets, motion_numbers, strict=True)
    ]
    columns = (
        words("parameter", [str(axis) for _, axis in pairs]),
        words("cause", [budget.cause for budget in budgets]),
        words("part of", [PART_OF[budget.life] for budget in budgets]),
        joint_errors("standard uncertainty", [budget.rms for budget in budgets], units),
        joint_errors("mean", means, units),
        lengths("at the tool", at_tool),
        joint_errors("worst case", [budget.limit for budget in budgets], units),
    )
    return Frame(columns if pairs else (), TITLE)
