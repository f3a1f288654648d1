"""Tables, sentences and review of an allocation."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial

from armsim import figures
from armsim.criteria import required_in_words
from armsim.decide.error_budget import Allocation, Budget, equivalent_bits
from armsim.formatting import ARCSECOND, show, show_interval, significant
from armsim.inspection.machine_inspection import sensor_errors
from armsim.model.machine import Machine
from armsim.report.document import Section, Text
from armsim.report.drawing import Planned
from armsim.report.frame import Frame, words
from armsim.report.manifest import Sample
from armsim.report.review import Review, json_file
from armsim.report.verdict import TONES
from armsim.scenario import Scenario


def allocation_answer(allocation: Allocation) -> str:
    """Sentence on whether sensors with these budgets meet the requirement."""
    if not allocation.budgets:
        return f"Not met, whatever the sensors: {'; '.join(allocation.reasons)}."
    required = required_in_words(allocation.requirement)
    verdict = f"Met: sensors within these budgets keep {required}"
    if not allocation.met:
        verdict = f"Not met: no scheme of budgets keeps {required}"
    fixed = f"{show(allocation.fixed)} at {allocation.fixed_pose}"
    return f"{verdict}. Links, gears and mastering alone make {fixed}."


def allocation_sentences(allocation: Allocation) -> Iterator[str]:
    """Sentences on criteria without budgets, and on criteria that the budgets do not meet."""
    if allocation.budgets and allocation.not_allocated:
        yield (
            f"not allocated: {', '.join(allocation.not_allocated)}. A budget limits the error that a built arm "
            "repeats at every visit; the table judges every criterion with these budgets"
        )
    for budget in allocation.budgets:
        yield from (f"{budget.scheme}: {judgement.reason}" for judgement in budget.unmet)


def price_law(allocation: Allocation) -> str:
    """Sentence on the price law and the bound of the least cost; empty without budgets."""
    gap = next((budget.gap for budget in allocation.budgets if budget.gap is not None), None)
    if gap is None:
        return ""
    return (
        f"cost: a sensor is taken to cost its allowed error to the power -{allocation.exponent:g}; 1 is the cheapest "
        f"scheme, proved to be the cheapest possible to within {max(gap, 0.0):.1g}"
    )


def allocation_printout(allocation: Allocation) -> Iterator[Frame | str]:
    """Printout of an allocation: the error budget of every joint's sensor, or why there is none."""
    yield allocation_answer(allocation)
    yield from allocation_sentences(allocation)
    if allocation.budgets:
        yield budget_frame(allocation)
        yield price_law(allocation)


def allocation_figures(allocation: Allocation, machine: Machine) -> Iterator[Planned]:
    """Figures of the budgets with the errors of the present sensors, one for each kind of joint; none without."""
    budgets, present = {str(budget.scheme): budget.std for budget in allocation.budgets}, sensor_errors(machine)
    for name, turning in (("budgets", True), ("budgets-linear", False)):
        joints = [joint for joint, rotary in allocation.rotary.items() if rotary is turning]
        if budgets and joints:
            caption = "Allowed error of each sensor by scheme, and the repeatable error of the present one."
            yield Planned(
                "budgets", name, caption, partial(figures.allocation, budgets, present, joints, turning), True
            )


def allocation_review(allocation: Allocation, scenario: Scenario) -> Review:
    """Review of an allocation."""
    plan, frame = scenario.plan, budget_frame(allocation)
    sample, law = Sample(plan.seed, plan.units, plan.visits), price_law(allocation)
    planned = tuple(allocation_figures(allocation, scenario.machine))
    return Review(
        f"{scenario.name}: error budgets of the sensors",
        f"Arm {scenario.machine.arm.name}; {sample.sizes}",
        f"how large may the error of the sensor of every joint be, so that {scenario.name} keeps "
        f"{required_in_words(allocation.requirement)}?",
        allocation_answer(allocation),
        TONES["met" if allocation.met else "not met"],
        frame.table(),
        (Section("Error budgets", "budgets", (frame.table(), Text(law, "soft"))),) if law else (),
        planned,
        tuple(figure.name for figure in planned),
        sentences=tuple(f"{text[:1].upper()}{text[1:]}." for text in allocation_sentences(allocation)),
        notes=scenario.notes,
        model=scenario,
        sample=sample,
        sources=scenario.sources,
        scenario_file=scenario.file,
        files={"allocate.json": json_file(allocation.to_dict())},
        tables={"allocate": frame.exact},
    )


def budget_frame(allocation: Allocation) -> Frame:
    """Table of an allocation: a row per joint and per sampled figure, a column per scheme."""
    statistics = {
        judgement.criterion: judgement.statistic for budget in allocation.budgets for judgement in budget.judgements
    }
    columns = [
        words(
            "joint",
            [*allocation.rotary, *statistics.values(), "error on a second population", "worst pose", "relative cost"],
        )
    ]
    for budget in allocation.budgets:
        joints = [_joint_cell(budget, name, rotary) for name, rotary in allocation.rotary.items()]
        figures = {judgement.criterion: judgement.figure for judgement in budget.judgements}
        sampled = [figures.get(criterion, "–") for criterion in statistics]
        others = show_interval(budget.confirmed, budget.confirmed_interval)
        columns.append(words(budget.scheme, [*joints, *sampled, others, budget.pose, f"{budget.cost:.3g}"]))
    return Frame(tuple(columns), "error budgets: standard deviation allowed to the sensor of each joint")


def _joint_cell(budget: Budget, joint: str, rotary: bool) -> str:
    std = budget.std[joint]
    if not math.isfinite(std):
        return "any: does not move the tool point"
    if not rotary:
        return show(std)
    arcsec, urad = significant(std * ARCSECOND.factor), significant(std * 1e6)
    return f"{arcsec} arcsec, {urad} µrad, {equivalent_bits(std):.1f} bit"
