"""The joints of a review: their budgets, and every term."""

from __future__ import annotations

from armsim.formatting import orders, show
from armsim.report.columns import column, joint_column
from armsim.report.document import Block, Cell, Folded, Section, Table, Text, in_rows, table
from armsim.report.pictures import Pictures
from armsim.results import JointBudget, Result


def joints_section(result: Result, pictures: Pictures) -> Section:
    budgets = list(result.joints.values())
    units = [own.unit for own in budgets]
    columns = (
        joint_column("standard uncertainty", [own.rms for own in budgets], units),
        column("at the tool", [own.rms * own.lever_arm for own in budgets]),
        joint_column("accuracy part", [own.rms_accuracy for own in budgets], units),
        joint_column("repeatability part", [own.rms_repeatability for own in budgets], units),
        joint_column("worst case", [own.limit for own in budgets], units),
    )
    headers = ("joint", "encoder", "resolution at the joint [bit]", "lever arm", *(name for name, _ in columns))
    rows: list[list[Cell | str]] = []
    for n, (name, budget) in enumerate(result.joints.items()):
        lever = f"{show(budget.lever_arm)}/rad" if budget.unit == "rad" else "1 m/m"
        rows.append(
            [
                name, f"{budget.encoder} ({budget.placement})",
                Cell(f"{budget.resolution_bits:.1f}", budget.resolution_bits), Cell(lever, budget.lever_arm),
                *(cells[n] for _, cells in columns),
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


def _terms(budget: JointBudget) -> Table:
    terms, units = budget.terms, [budget.unit] * len(budget.terms)
    columns = (
        joint_column("standard uncertainty", [own.rms for own in terms], units),
        column("at the tool", [own.rms * budget.lever_arm for own in terms]),
        joint_column("limit", [own.limit for own in terms], units),
    )
    headers = ("cause", "life", "shape", *(name for name, _ in columns))
    rows: list[list[Cell | str]] = [
        [own.cause, own.life, orders(own.shape, own.orders, budget.unit), *(cells[n] for _, cells in columns)]
        for n, own in enumerate(terms)
    ]
    return table(headers, rows, words=3)
