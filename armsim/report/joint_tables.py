"""The joints of a review: their budgets, and every term."""

from __future__ import annotations

import math

from armsim.formatting import orders, show, show_joint, significant
from armsim.report.document import Block, Cell, Folded, Section, Table, Text, in_rows, table
from armsim.report.pictures import Pictures
from armsim.results import JointBudget, Result


def joints_section(result: Result, pictures: Pictures) -> Section:
    headers = (
        "joint", "encoder", "resolution at the joint", "lever arm", "standard uncertainty", "at the tool",
        "accuracy part", "repeatability part", "worst case",
    )  # fmt: skip
    rows: list[list[Cell | str]] = []
    for name, budget in result.joints.items():
        lever = f"{show(budget.lever_arm)}/rad" if budget.unit == "rad" else "1 m/m"
        sizes = (budget.rms_accuracy, budget.rms_repeatability, budget.limit)
        rows.append(
            [
                name, f"{budget.encoder} ({budget.placement})",
                Cell(f"{significant(budget.resolution_bits)} bit", budget.resolution_bits),
                Cell(lever, budget.lever_arm), _angle(budget.rms, budget),
                Cell(show(budget.rms * budget.lever_arm), budget.rms * budget.lever_arm),
                *(_angle(size, budget) for size in sizes),
            ]
        )  # fmt: skip
    note = Text(
        "Standard uncertainty is the root mean square over the travel, the mean included. Lever arm: the largest way "
        "of the tool point a radian of the joint (of a slide, a metre), over its ranges. Worst case: all limits at "
        "once; ∞ where a cause has none.",
        "soft",
    )
    return Section(
        "The joints", "joints", (table(headers, _merged(rows), words=2), note, *in_rows(pictures.get("joints", ())))
    )


def _merged(rows: list[list[Cell | str]]) -> list[list[Cell | str]]:
    """Rows that say the same of several joints, as one."""
    groups: dict[tuple[str, ...], list[int]] = {}
    for n, row in enumerate(rows):
        groups.setdefault(tuple(own.text if isinstance(own, Cell) else own for own in row[1:]), []).append(n)
    return [[", ".join(str(rows[n][0]) for n in own), *rows[own[0]][1:]] for own in groups.values()]


def each_term(result: Result) -> list[Block]:
    """Tables of the terms of every joint, once for joints that are alike."""
    groups: dict[tuple[object, ...], list[str]] = {}
    tables = {name: _terms(budget) for name, budget in result.joints.items()}
    for name, own in tables.items():
        groups.setdefault(own.rows, []).append(name)
    return [Folded(", ".join(names), (tables[names[0]],)) for names in groups.values()]


def _angle(value: float, budget: JointBudget) -> Cell:
    text = "∞" if math.isinf(value) else show_joint(value, budget.unit)
    return Cell(text, value if math.isfinite(value) else None)


def _terms(budget: JointBudget) -> Table:
    headers = ("cause", "life", "shape", "standard uncertainty", "at the tool", "limit")
    rows: list[list[Cell | str]] = [
        [
            term.cause,
            term.life,
            orders(term.shape, term.orders, budget.unit),
            _angle(term.rms, budget),
            Cell(show(term.rms * budget.lever_arm), term.rms * budget.lever_arm),
            _angle(term.limit, budget),
        ]
        for term in budget.terms
    ]
    return table(headers, rows, words=3)
