"""The joints of a review: their budgets, and every term."""

from __future__ import annotations

from armsim.formatting import orders, show
from armsim.report.document import Block, Folded, Section, Table, Text
from armsim.report.frame import Frame, bare, joint_errors, lengths, quoted, words
from armsim.results import JointBudget, Result


def joints_frame(result: Result) -> Frame:
    """The error budget of every joint."""
    budgets = list(result.joints.values())
    units = [own.unit for own in budgets]
    levers = [f"{show(own.lever_arm)}/rad" if own.unit == "rad" else "1 m/m" for own in budgets]
    return Frame(
        (
            words("joint", result.joints),
            words("encoder", [f"{own.encoder} ({own.placement})" for own in budgets]),
            bare("resolution at the joint [bit]", [own.resolution_bits for own in budgets], places=1),
            quoted("lever arm", [own.lever_arm for own in budgets], levers),
            joint_errors("standard uncertainty", [own.rms for own in budgets], units),
            lengths("at the tool", [own.rms * own.lever_arm for own in budgets]),
            joint_errors("accuracy part", [own.rms_accuracy for own in budgets], units),
            joint_errors("repeatability part", [own.rms_repeatability for own in budgets], units),
            joint_errors("worst case", [own.limit for own in budgets], units),
        )
    )


def joints_section(result: Result) -> Section:
    """The part of a review."""
    note = Text(
        "Standard uncertainty is the root mean square over the travel, the mean included. Lever arm: the largest way "
        "of the tool point a radian of the joint (of a slide, a metre), over its ranges. Worst case: all limits at "
        "once; ∞ where a cause has none.",
        "soft",
    )
    return Section("The joints", "joints", (joints_frame(result).merged().table(), note))


def each_term(result: Result) -> list[Block]:
    """Tables of the terms of every joint, once for joints that are alike."""
    groups: dict[tuple[object, ...], list[str]] = {}
    tables = {name: _terms(budget) for name, budget in result.joints.items()}
    for name, table in tables.items():
        groups.setdefault(table.rows, []).append(name)
    return [Folded(", ".join(names), (tables[names[0]],)) for names in groups.values()]


def _terms(budget: JointBudget) -> Table:
    terms, units = budget.terms, [budget.unit] * len(budget.terms)
    columns = (
        words("cause", [own.cause for own in terms]),
        words("life", [own.life for own in terms]),
        words("shape", [orders(own.shape, own.orders, budget.unit) for own in terms]),
        joint_errors("standard uncertainty", [own.rms for own in terms], units),
        lengths("at the tool", [own.rms * budget.lever_arm for own in terms]),
        joint_errors("limit", [own.limit for own in terms], units),
    )
    return Frame(columns).table()
