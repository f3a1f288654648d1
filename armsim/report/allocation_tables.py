"""Tables and sentences of an allocation."""

from __future__ import annotations

import math
from collections.abc import Iterator

from armsim.criteria import required_in_words
from armsim.decide.error_budget import Allocation, Budget, equivalent_bits
from armsim.formatting import ARCSECOND, show, show_interval, significant
from armsim.report.frame import Frame, words


def allocation_printout(allocation: Allocation) -> Iterator[Frame | str]:
    """Printout of an allocation: the error budget of every joint's sensor, or why there is none."""
    if not allocation.budgets:
        yield f"requirement not met, whatever the sensors: {'; '.join(allocation.reasons)}"
        return
    yield (
        f"required {required_in_words(allocation.requirement)}; links, gears and mastering alone "
        f"make {show(allocation.fixed)} at {allocation.fixed_pose}"
    )
    if allocation.not_allocated:
        yield (
            f"not allocated: {', '.join(allocation.not_allocated)}; a budget is an error that each built arm keeps, "
            "the table judges what these budgets leave"
        )
    for budget in allocation.budgets:
        yield from (f"{budget.scheme}: {judgement.reason}" for judgement in budget.unmet)
    yield budget_frame(allocation)
    gap = next(budget.gap for budget in allocation.budgets if budget.gap is not None)
    yield (
        f"price law: an error s costs s^-{allocation.exponent:g}; cost relative to the cheapest; the dual bound of "
        f"least cost leaves a gap of {max(gap, 0.0):.1g}"
    )


def budget_frame(allocation: Allocation) -> Frame:
    """Table of an allocation: a row per joint and per sampled figure, a column per scheme."""
    statistics = {
        judgement.criterion: judgement.statistic for budget in allocation.budgets for judgement in budget.judgements
    }
    columns = [words("joint", [*allocation.rotary, *statistics.values(), "other arms", "at", "cost"])]
    for budget in allocation.budgets:
        joints = [_joint_cell(budget, name, rotary) for name, rotary in allocation.rotary.items()]
        figures = {judgement.criterion: judgement.figure for judgement in budget.judgements}
        sampled = [figures.get(criterion, "–") for criterion in statistics]
        others = show_interval(budget.confirmed, budget.confirmed_interval)
        columns.append(words(budget.scheme, [*joints, *sampled, others, budget.pose, f"{budget.cost:.3g}"]))
    return Frame(tuple(columns), "standard deviation left to the sensor of each joint")


def _joint_cell(budget: Budget, joint: str, rotary: bool) -> str:
    std = budget.std[joint]
    if not math.isfinite(std):
        return "any: does not move the tool point"
    if not rotary:
        return show(std)
    arcsec, urad = significant(std * ARCSECOND.factor), significant(std * 1e6)
    return f"{arcsec} arcsec, {urad} µrad, {equivalent_bits(std):.1f} bit"
