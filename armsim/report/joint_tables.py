"""Tables of the joints: budgets, and every term."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from armsim.causes import QUALITY_BY_LIFE
from armsim.formatting import Unit, describe_shape
from armsim.report.document import Block, Folded, Section, Text
from armsim.report.frame import Column, Frame, joint_errors, lengths, quoted, unitless, words
from armsim.results import ErrorMotionBudget, JointBudget, Result

PER_RADIAN = Unit("mm/rad", 1e3)
COMBINED = "all causes together"
"""Cause of a row of totals: root of the mean square, and all limits at once."""


def joints_frame(joints: Mapping[str, JointBudget], prices: Sequence[float] | None = None, title: str = "") -> Frame:
    """Table of the error budget of every joint, with the price of its sensors if given."""
    budgets = list(joints.values())
    units = [budget.unit for budget in budgets]
    return Frame(
        (
            words("joint", joints),
            words("encoder", [f"{budget.encoder} ({budget.placement})" for budget in budgets]),
            unitless("resolution at the joint [bit]", [budget.resolution_bits for budget in budgets], decimals=1),
            lever_arms(budgets),
            joint_errors("standard uncertainty", [budget.rms for budget in budgets], units),
            lengths("at the tool", [budget.rms_at_tool() for budget in budgets]),
            joint_errors("accuracy part", [budget.rms_accuracy for budget in budgets], units),
            joint_errors("repeatability part", [budget.rms_repeatability for budget in budgets], units),
            joint_errors("worst case", [budget.limit for budget in budgets], units),
            *([] if prices is None else [unitless("price", prices)]),
        ),
        title,
    )


def lever_arms(budgets: Sequence[JointBudget] | Sequence[ErrorMotionBudget]) -> Column:
    """Column of the lever arms of joints or error motions, in mm per radian; that of a slide or a shift is 1 m/m."""
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
        "Standard uncertainty: root mean square over the travel, mean included. Lever arm: largest movement of "
        "the tool point per radian of the joint, or per metre of a slide. Worst case: all causes at their largest "
        "at once; ∞ where a cause has no bound. At the tool: by the largest lever arms, error motions of the axis "
        "included.",
        "soft",
    )
    return Section("The joints", "joints", (joints_frame(result.joints).merged().table(), note))


def each_term(result: Result) -> list[Block]:
    """Tables of the terms of every joint, once for equal joints."""
    groups: dict[tuple[object, ...], list[str]] = {}
    frames = {name: (terms_frame(budget), *error_motions_frame(budget)) for name, budget in result.joints.items()}
    tables = {name: tuple(frame.table() for frame in listed) for name, listed in frames.items()}
    for name, listed in tables.items():
        groups.setdefault(tuple(table.rows for table in listed), []).append(name)
    return [Folded(", ".join(names), tables[names[0]]) for names in groups.values()]


def terms_frame(budget: JointBudget, totals: bool = False) -> Frame:
    """Table of the terms of a joint; with ``totals`` three rows below: accuracy, repeatability, all."""
    rows = [
        (
            term.cause,
            QUALITY_BY_LIFE[term.life],
            describe_shape(term.shape, term.orders, budget.unit),
            term.rms,
            term.limit,
        )
        for term in budget.terms
    ]
    if totals:
        rows += [
            (COMBINED, QUALITY_BY_LIFE["unit"], "", budget.rms_accuracy, budget.limit_accuracy),
            (COMBINED, QUALITY_BY_LIFE["visit"], "", budget.rms_repeatability, budget.limit_repeatability),
            (COMBINED, "both", "", budget.rms, budget.limit),
        ]
    units = [budget.unit] * len(rows)
    uncertainties = joint_errors("standard uncertainty", [rms for *_, rms, _ in rows], units)
    limits = joint_errors("worst case", [limit for *_, limit in rows], units)
    if limits.unit == uncertainties.unit:  # to be compared along a row
        limits = replace(limits, decimals=uncertainties.decimals)
    columns = (
        words("cause", [cause for cause, *_ in rows]),
        words("part of", [part for _, part, *_ in rows]),
        words("shape", [shape for _, _, shape, *_ in rows]),
        uncertainties,
        lengths("at the tool", [rms * budget.lever_arm for *_, rms, _ in rows]),
        limits,
    )
    return Frame(columns, apart=(len(budget.terms),) if totals else ())


def error_motions_frame(budget: JointBudget) -> tuple[Frame, ...]:
    """Table of the error motions of the axis; none if there are none."""
    if not budget.error_motions:
        return ()
    terms = [motion.term for motion in budget.error_motions]
    units = [motion.unit for motion in budget.error_motions]
    columns = (
        words("error motion of the axis", [motion.motion for motion in budget.error_motions]),
        words("cause", [term.cause for term in terms]),
        words("part of", [QUALITY_BY_LIFE[term.life] for term in terms]),
        words("shape", [describe_shape(term.shape, term.orders, budget.unit) for term in terms]),
        joint_errors("standard uncertainty", [term.rms for term in terms], units),
        lever_arms(budget.error_motions),
        lengths("at the tool", [motion.rms_at_tool for motion in budget.error_motions]),
        joint_errors("worst case", [term.limit for term in terms], units),
    )
    return (Frame(columns),)
