"""Table of the tolerances and thermal growth of the links, for the terminal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from armsim.cli.printing import print_line, print_table
from armsim.formatting import show, show_joint, significant

if TYPE_CHECKING:
    from armsim.model.machine import Machine

HEADERS = ("parameter", "cause", "life", "rms", "mean", "at the tool", "limit")


def print_links(machine: Machine) -> None:
    """Print every term of the links, tolerances and growth, and the law of the temperature rise."""
    rows = link_rows(machine)
    if rows:
        print_table("links: tolerances and thermal growth", HEADERS, rows, right=(3, 4, 5, 6))
    rises = [("temperature rise, shared by all that grows or drifts", machine.environment.temperature_rise)]
    rises += [(f"temperature of {joint.name} above that", joint.temperature_rise) for joint in machine.joints]
    for what, rise in rises:
        if rise is not None:
            std = math.sqrt(max(0.0, rise.second_moment - rise.mean**2))
            print_line(
                f"{what}: {rise.distribution}, mean {significant(rise.mean, 3)} K, standard deviation "
                f"{significant(std, 3)} K"
            )


def link_rows(machine: Machine) -> list[tuple[str, ...]]:
    """Rows of link terms: parameter, cause, life, rms, mean, effect at the tool, limit.

    The effect at the tool is by the largest lever arm over the ranges of the joints.
    """
    from armsim.errormodel.shapes import State
    from armsim.sampling.joint_budgets import term_budget

    arm, state, evaluated = machine.perturbed_arm, State.at_rest(np.zeros(1)), machine.at(machine.survey())
    motions = [arm.motion_of(axis) for axis in evaluated.axes]
    levers = np.linalg.norm(evaluated.postures.column, axis=2).max(axis=0)
    rows: list[tuple[str, ...]] = []
    for term in machine.terms:
        for axis in term.axes:
            if axis.of_joint:
                continue
            budget = term_budget(term, axis, state)
            motion = arm.motion_of(axis)
            unit = "rad" if arm.motions[motion].rotary else "m"
            lever, mean = float(levers[motions.index(motion)]), float(term.expected(axis, state)[0])
            sizes = (show_joint(budget.rms, unit), show_joint(mean, unit), show(budget.rms * lever))
            rows.append((str(axis), budget.cause, budget.life, *sizes, show_joint(budget.limit, unit)))
    return rows
