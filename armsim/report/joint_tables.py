"""Tables of the joints: budgets, and every term."""

from __future__ import annotations

from collections.abc import Sequence

from armsim.formatting import Unit, orders
from armsim.report.document import Block, Folded, Section, Table, Text
from armsim.report.frame import Column, Frame, bare, joint_errors, lengths, quoted, words
from armsim.results import JointBudget, Result

PER_RADIAN = Unit("mm/rad", 1e3)


def joints_frame(result: Result) -> Frame:
    """Table of the error budget of every joint."""
    budgets = list(result.joints.values())
    units = [budget.unit for budget in budgets]
    return Frame(
        (
            words("joint", result.joints),
            words("encoder", [f"{budget.encoder} ({budget.placement})" for budget in budgets]),
            bare("resolution at the joint [bit]", [budget.resolution_bits for budget in budgets], places=1),
            lever_arms(budgets),
            joint_errors("standard uncertainty", [budget.rms for budget in budgets], units),
            lengths("at the tool", [budget.at_tool() for budget in budgets]),
            joint_errors("accuracy part", [budget.rms_accuracy for budget in budgets], units),
            joint_errors("repeatability part", [budget.rms_repeatability for budget in budgets], units),
            joint_errors("worst case", [budget.limit for budget in budgets], units),
        )
    )


def lever_arms(budgets: Sequence[JointBudget]) -> Column:
    """Column of the lever arms, in mm per radian; that of a slide is 1 m/m."""
    turning = [budget.lever_arm for budget in budgets if budget.unit == "rad"]
    numbers = lengths("lever arm", turning, unit=PER_RADIAN)
    if len(turning) == len(budgets):
        return numbers
    cells = iter(numbers.with_units)
    texts = [next(cells) if budget.unit == "rad" else "1 m/m" for budget in budgets]
    return quoted("lever arm", [budget.lever_arm for budget in budgets], texts)


def joints_section(result: Result) -> Section:
    """Section on the joints."""
    note = Text(
        "Standard uncertainty is the root mean square over the travel, the mean included. Lever arm: largest "
        "movement of the tool point per radian of the joint, or per metre of a slide. Worst case: all limits at once; "
        "∞ where a cause has none. At the tool: by the largest lever arms, error motions of the axis included.",
        "soft",
    )
    return Section("The joints", "joints", (joints_frame(result).merged().table(), note))


def each_term(result: Result) -> list[Block]:
    """Tables of the terms of every joint, once for equal joints."""
    groups: dict[tuple[object, ...], list[str]] = {}
    tables = {name: (_terms(budget), *_error_motions(budget)) for name, budget in result.joints.items()}
    for name, listed in tables.items():
        groups.setdefault(tuple(table.rows for table in listed), []).append(name)
    return [Folded(", ".join(names), tables[names[0]]) for names in groups.values()]


def _terms(budget: JointBudget) -> Table:
    terms, units = budget.terms, [budget.unit] * len(budget.terms)
    columns = (
        words("cause", [term.cause for term in terms]),
        words("life", [term.life for term in terms]),
        words("shape", [orders(term.shape, term.orders, budget.unit) for term in terms]),
        joint_errors("standard uncertainty", [term.rms for term in terms], units),
        lengths("at the tool", [term.rms * budget.lever_arm for term in terms]),
        joint_errors("limit", [term.limit for term in terms], units),
    )
    return Frame(columns).table()


def _error_motions(budget: JointBudget) -> tuple[Table, ...]:
    """Table of the error motions of the axis; none where there are none."""
    if not budget.error_motions:
        return ()
    terms = [motion.term for motion in budget.error_motions]
    units = [motion.unit for motion in budget.error_motions]
    columns = (
        words("error motion of the axis", [motion.motion for motion in budget.error_motions]),
        words("cause", [term.cause for term in terms]),
        words("life", [term.life for term in terms]),
        words("shape", [orders(term.shape, term.orders, budget.unit) for term in terms]),
        joint_errors("standard uncertainty", [term.rms for term in terms], units),
        lengths("at the tool", [motion.at_tool for motion in budget.error_motions]),
        joint_errors("limit", [term.limit for term in terms], units),
    )
    return (Frame(columns).table(),)
