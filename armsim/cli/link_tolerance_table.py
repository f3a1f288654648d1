"""What moves the parameters of the links, and the temperature that all share, on the terminal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from armsim.cli.printing import print_table, tell
from armsim.formatting import show, show_joint, significant

if TYPE_CHECKING:
    from armsim.model.machine import Machine

HEADERS = ("parameter", "cause", "life", "std, mean included", "mean", "at the tool", "limit")


def print_links(machine: Machine) -> None:
    """Print every term of the links, tolerances and growth, and the law of the temperature rise."""
    rows = link_rows(machine)
    if rows:
        print_table("the links, tolerances and growth by heat", HEADERS, rows, right=(3, 4, 5, 6))
    rise = machine.environment.temperature_rise
    if rise is not None:
        std = math.sqrt(max(0.0, rise.second_moment - rise.mean**2))
        tell(
            f"temperature rise, shared by all that grows or drifts: {rise.distribution}, mean "
            f"{significant(rise.mean, 3)} K, standard deviation {significant(std, 3)} K"
        )


def link_rows(machine: Machine) -> list[tuple[str, ...]]:
    """Link parameter, cause, life, standard deviation with the mean in it, mean, what it does at the tool, limit.

    At the tool by the largest lever over the ranges of the joints.
    """
    from armsim.errormodel.shapes import State
    from armsim.errormodel.terms import Role
    from armsim.sampling.joint_budgets import term_budget

    arm, rest, evaluated = machine.perturbed_arm, State.at_rest(np.zeros(1)), machine.at(machine.survey())
    moved = [arm.motion_of(axis) for axis in evaluated.axes]
    levers = np.linalg.norm(evaluated.postures.column, axis=2).max(axis=0)
    rows: list[tuple[str, ...]] = []
    for term in machine.terms:
        for axis in term.axes:
            if axis.role is Role.MOTION:
                continue
            own = term_budget(term, axis, rest)
            motion = arm.motion_of(axis)
            unit = "rad" if arm.motions[motion].rotary else "m"
            lever, mean = float(levers[moved.index(motion)]), float(term.expected(axis, rest)[0])
            sizes = (show_joint(own.rms, unit), show_joint(mean, unit), show(own.rms * lever))
            rows.append((str(axis), own.cause, own.life, *sizes, show_joint(own.limit, unit)))
    return rows
