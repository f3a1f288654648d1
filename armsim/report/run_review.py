"""The review of a run as a document: every number is read from the result."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from armsim.formatting import (
    beside_each_other,
    percent,
    points,
    show,
    signed,
)
from armsim.report import boilerplate
from armsim.report.columns import column, columns_alike
from armsim.report.decision_sentences import cheapest_in_words
from armsim.report.document import (
    Block,
    Bullets,
    Cell,
    Folded,
    ReviewDocument,
    Section,
    Table,
    Text,
    in_rows,
    table,
)
from armsim.report.findings import front
from armsim.report.first_page import advice, decisive
from armsim.report.joint_tables import each_term, joints_section
from armsim.report.pictures import Extras, Pictures
from armsim.report.verdict import deciding_task
from armsim.requirement.requirement import coverage_of
from armsim.results import Result, Summary, TaskResult
from armsim.results.poses import BIAS
from armsim.sources import Source

if TYPE_CHECKING:
    from armsim.decide.trade_off import TradeOff
    from armsim.decide.what_if import WhatIfs

WORST = 8
"""Poses of a task that the document names."""
NEGLIGIBLE = 1e-4
"""Share of the mean square error below which a row is left out."""
SHOWN = 12
"""Changes of a what-if table, and points of a trade-off curve, that the document names."""


def review(
    result: Result, pictures: Pictures, sources: Sequence[Source], manifest: dict[str, Any], extras: Extras
) -> ReviewDocument:
    """The document of a run, its parts in the order in which a review asks for them."""
    sections = (
        _arm(result, pictures),
        joints_section(result, pictures),
        _workspace(result, pictures),
        Section(
            "Accuracy and repeatability over the population",
            "population",
            (Text(_PEOPLE, "soft"), *in_rows(pictures.get("population", ()))),
        ),
        _contributions(result, pictures),
        _actions(result, pictures, extras),
        boilerplate.cautions(),
    )
    notes = (Section("All notes", "notes", (Bullets(tuple(result.warnings)),)),) if result.warnings else ()
    appendix = (
        *notes,
        Section("The joints, term by term", "terms", tuple(each_term(result))),
        _poses(result),
        _agreement(result),
        boilerplate.assumptions(result),
        boilerplate.inputs(sources),
        boilerplate.references(),
        boilerplate.provenance(manifest),
    )
    first = front(result, decisive(result, pictures), advice(result, extras))
    parts = [f"{name} {value:g}" for name, value in result.prices.items() if value]
    told = f" ({', '.join(parts)})" if len(parts) > 1 else ""
    price = f"sensors {result.price:g} cost units{told}"
    sizes = f"{result.units} built units × {result.visits} visits, seed {result.seed}"
    subtitle, day = f"Arm {result.arm}; {price}; {sizes}", str(manifest["time"])[:10]
    return ReviewDocument(result.scenario, subtitle, result.scenario, day, sections, front=first, appendix=appendix)


SUFFICES = 0.05
"""Difference of the rms by first order below which that serves for a first look. Common practice, no source."""
_PEOPLE = (
    "Accuracy AP is what one built arm gets wrong at every visit, the distance of its mean attained point from the "
    "command; repeatability RP is what differs between its visits, mean distance plus three standard deviations "
    "(ISO 9283:1998). Both are what the arm has, over visits without number; a test of few cycles estimates them and "
    "prints more. Built arms differ, so both are distributions."
)


def _arm(result: Result, pictures: Pictures) -> Section:
    groups = "; ".join(f"{name}: {', '.join(members)}" for name, members in result.groups.items())
    text = Text(f"Groups of joints: {groups}." if groups else "The arm has no groups of joints.")
    return Section("The arm and its sensors", "arm", (*in_rows(pictures.get("arm", ())), text))


def _workspace(result: Result, pictures: Pictures) -> Section:
    blocks: list[Block] = []
    for number in range(1, len(result.tasks) + 1):
        blocks += [picture for picture in pictures.get("workspace", ()) if picture.name.startswith(f"{number}-")]
    for task in result.tasks:
        blocks.append(Text(_where(result, task), "soft"))
        within = task.summary.within
        if within is not None:
            low, high = (percent(end) for end in within.interval)
            sure = "" if low == high else f" ({low} for certain, {high} at most)"
            blocks.append(
                Text(f"{task.name}: {percent(within.value)} of the poses are within the position required{sure}.")
            )
        told = list(task.notes)
        if task.near_singular:
            told.append(f"{len(task.near_singular)} poses are near-singular; tables/near-singular.csv lists them")
        if task.unreachable:
            told.append(f"{len(task.unreachable)} points cannot be reached; tables/unreachable.csv lists them")
        blocks += [Text(f"{task.name}: {note}.", "soft") for note in told]
    return Section("The error over the workspace", "workspace", in_rows(blocks))


def _poses(result: Result) -> Section:
    """The worst poses of every task, and its measures."""
    blocks: list[Block] = []
    for task in result.tasks:
        blocks.append(_worst(task, coverage_of(result.requirement)))
        if task.measures:
            blocks.append(_measures(task))
    return Section("Poses and measures", "poses", tuple(blocks))


def _worst(task: TaskResult, coverage: float) -> Table:
    order = np.argsort(-task.column("error.at_coverage"), kind="stable")[:WORST]
    poses = [task.poses[int(n)] for n in order]
    errors, ap, rp = ([getattr(own, name) for own in poses] for name in ("error", "accuracy", "repeatability"))
    columns = (
        column("rms", [own.rms for own in errors], [own.rms_interval for own in errors]),
        column(
            f"{percent(coverage)} of errors within",
            [own.at_coverage for own in errors],
            [own.at_coverage_interval for own in errors],
        ),
        column("largest seen", [own.max for own in errors]),
        column("AP, 95 % of arms", [own.p95 for own in ap], [own.p95_interval for own in ap]),
        column("RP, 95 % of arms", [own.p95 for own in rp]),
    )
    headers = ("pose", *(name for name, _ in columns))
    rows: list[list[Cell | str]] = [[own.name, *(cells[n] for _, cells in columns)] for n, own in enumerate(poses)]
    count = f"the {len(order)} worst of {len(task.poses)} poses" if len(task.poses) > len(order) else "its poses"
    return table(headers, rows, title=f"{task.name}: {count}")


def _where(result: Result, task: TaskResult) -> str:
    """Where the worst pose is."""
    pose = task.pose(task.summary.worst_pose)
    at = ", ".join(f"{value * 1e3:.4g}" for value in beside_each_other(pose.position))
    joints = (
        f"{name} {math.degrees(value):.4g} deg" if budget.unit == "rad" else f"{name} {value * 1e3:.4g} mm"
        for (name, budget), value in zip(result.joints.items(), beside_each_other(pose.joints), strict=True)
    )
    along = "" if pose.along is None else f", {pose.along * 1e3:.4g} mm along the path"
    return f"The worst pose, {pose.name}{along}: tool point at ({at}) mm, joints at {', '.join(joints)}."


def _measures(task: TaskResult) -> Table:
    (medians, half), (most, within) = columns_alike(
        [
            ("median", [own.p50 for own in task.measures], [own.p50_interval for own in task.measures]),
            ("95 % of arms within", [own.p95 for own in task.measures], [own.p95_interval for own in task.measures]),
        ]
    )
    headers = ("measure of ISO 9283", "where", "clause", medians, most)
    rows: list[list[Cell | str]] = [
        [f"{own.name}, {own.what}", own.where, own.clause, half[n], within[n]] for n, own in enumerate(task.measures)
    ]
    return table(headers, rows, words=3, title=f"{task.name}: measures over the task")


def _contributions(result: Result, pictures: Pictures) -> Section:
    shares = shares_table({task.name: task.summary for task in result.tasks})
    note = Text("Over all poses of a task, each counted by its mean square error; by first order.", "soft")
    return Section("Error contributions", "contributions", (*in_rows(pictures.get("contributions", ())), shares, note))


def shares_table(columns: Mapping[str, Summary], title: str = "") -> Table:
    """Shares of groups and causes side by side, a column a task or a design."""
    summaries = columns.values()
    rows: list[list[Cell | str]] = []
    for name in dict.fromkeys(name for own in summaries for name in (*own.groups, *own.causes)):
        shares = [own.groups.get(name, own.causes.get(name, 0.0)) for own in summaries]
        if max(map(abs, shares)) >= 5e-4:
            group = any(name in own.groups for own in summaries)
            rows.append([f"group {name}" if group else name, *(Cell(percent(x, 2), x) for x in shares)])
    return table(("share of the mean square error", *columns), rows, title=title)


def _actions(result: Result, pictures: Pictures, extras: Extras) -> Section:
    blocks: list[Block] = [Text(_FIRST_ORDER, "soft"), _without(result)]
    if extras.what_ifs is not None:
        blocks.append(Text("What if: one change at a time, sampled with the same random numbers as the design itself."))
        for task in result.tasks:
            blocks.append(_changes(extras.what_ifs, task))
    if extras.curve is not None:
        blocks += [Text(curve_in_words(extras.curve)), _points(extras.curve)]
    if extras.what_ifs is None or extras.curve is None:
        missing = [
            text
            for text, there in (("--what-if", extras.what_ifs), ("--catalogue FILE", extras.curve))
            if there is None
        ]
        blocks.append(Text(f"More of this with armsim run {' '.join(missing)}.", "soft"))
    return Section("Recommendations", "recommendations", (*blocks, *in_rows(pictures.get("recommendations", ()))))


_FIRST_ORDER = (
    "What would be left at the worst pose without one joint, or one cause: without its scatter and without its mean, "
    "which all arms share (wind-up that is not compensated, latency, a one-sided approach); by first order, nothing "
    "else changed. Means add as vectors, so that what is gained is not the share alone."
)


def _without(result: Result) -> Table:
    task = deciding_task(result)
    at = list(task.poses.names).index(task.summary.worst_pose)
    rms = float(task.column("first_order.rms")[at])
    names = [name for name in task.poses.share_names if name != BIAS]
    parts: dict[str, tuple[str | None, str | None]] = {}
    for owner, cause in names:
        parts[f"joint {owner}" if owner in result.joints else owner] = owner, None
        parts[f"cause {cause}"] = None, cause
    ranked = sorted((task.poses.rms_without(at, *part), name) for name, part in parts.items())
    rows: list[list[Cell | str]] = []
    for left, name in ranked[:SHOWN]:
        share = float(task.contribution(*parts[name])[at])
        if rms - left >= 0.5 * NEGLIGIBLE * rms:
            rows.append([name, Cell(percent(share, 2), share), Cell(show(left), left), signed(left - rms, None)])
    headers = ("without", "share there", "rms error left", "change")
    return table(headers, rows, title=f"{task.name}, {task.summary.worst_pose}: rms error {show(rms)} as it is")


def _changes(what_ifs: WhatIfs, task: TaskResult) -> Table:
    headers = ("change", "of", f"{what_ifs.result.quantile} at the worst pose", "yield")
    rows: list[list[Cell | str]] = []
    for row in what_ifs.of(task.name)[:SHOWN]:
        passed = Cell("–") if row.passing is None else Cell(points(*row.passing), row.passing.value)
        rows.append([row.kind, row.what, Cell(signed(*row.at_coverage), row.at_coverage.value), passed])
    return table(headers, rows, words=2, title=f"{task.name}: the changes that gain most")


def curve_in_words(curve: TradeOff) -> str:
    """What a trade-off curve says."""
    first, last = curve.points[0], curve.points[-1]
    beaten = sum(curve.beaten)
    sampled = f"; as sampled, {beaten} of them err no less than a cheaper one" if beaten else ""
    return (
        f"Price against error, {percent(curve.coverage)} of errors within it: {len(curve.points)} sets of sensors for "
        f"which, by first order, nothing cheaper errs less, from {show(first.sampled)} for {first.price:g} cost units "
        f"to {show(last.sampled)} for {last.price:g}; {cheapest_in_words(curve)}; the design as it is stands at "
        f"{show(curve.current)} for {curve.current_price:g}{sampled}."
    )


def _points(curve: TradeOff) -> Table:
    chosen = np.unique(np.linspace(0, len(curve.points) - 1, min(SHOWN, len(curve.points))).astype(int))
    groups = list(dict.fromkeys(group for point in curve.points for group in point.spending))
    headers = ("pose that decides", "price", "error, sampled", *(f"spent on {group}" for group in groups))
    rows: list[list[Cell | str]] = []
    for point in (curve.points[n] for n in chosen):
        spent = [Cell(f"{point.spending.get(g, 0.0):g}", point.spending.get(g, 0.0)) for g in groups]
        price, error = Cell(f"{point.price:g}", point.price), Cell(show(point.sampled), point.sampled)
        rows.append([point.pose, price, error, *spent])
    return table(headers, rows, title=f"{len(chosen)} of {len(curve.points)} points of the curve; prices in cost units")


def _agreement(result: Result) -> Section:
    headers = ("task", "agree", "differ", "undecided", "rms, first order over Monte Carlo", "verdict at the worst pose")
    rows: list[list[Cell | str]] = []
    for task in result.tasks:
        counts = task.summary.first_order_agrees
        sampled = task.column("error.rms")
        ratio = np.divide(task.column("first_order.rms"), sampled, out=np.ones_like(sampled), where=sampled > 0)
        span = f"{ratio.min():.4g} to {ratio.max():.4g}"
        worst = task.pose(task.summary.worst_pose).first_order.validation[0]
        told = f"{worst.verdict}: ends {show(worst.difference)} apart, tolerance {show(worst.tolerance)}"
        numbers = [Cell(str(counts.get(v, 0)), counts.get(v, 0)) for v in ("agrees", "differs", "undecided")]
        rows.append([task.name, *numbers, span, told])
    details = Text(
        "At every pose the ends of the 95 % intervals of each coordinate, by first order and by Monte Carlo, are held "
        "against each other to two significant digits of the standard uncertainty (JCGM 101:2008 clause 8). Undecided: "
        "more units would be needed to tell. An end counts as different only at four standard deviations of its "
        "sampling, since there are six at every pose; there first order is not to be relied upon, Monte Carlo is exact "
        "in kinematics.",
        "soft",
    )
    folded = Folded("pose by pose, by JCGM 101:2008 clause 8", (details, table(headers, rows)))
    return Section("Monte Carlo and first order", "agreement", (Text(_suffices(result)), folded))


def _suffices(result: Result) -> str:
    """Whether first order would do, and by how much it is off at most."""
    rms = end = 0.0
    for task in result.tasks:
        sampled, first = task.column("error.rms"), task.column("first_order.rms")
        rms = max(rms, float(np.max(np.abs(np.divide(first, sampled, out=np.ones_like(first), where=sampled > 0) - 1))))
        differences = task.column("first_order.validation.difference")[:, 0]
        apart = np.divide(differences, 2 * sampled, out=np.zeros_like(first), where=sampled > 0)
        end = max(end, float(np.max(apart)))
    differ = sum(task.summary.first_order_agrees.get("differs", 0) for task in result.tasks)
    verdict = (
        "First order suffices for the size of the error"
        if rms < SUFFICES
        else "First order does not suffice here, Monte Carlo decides"
    )
    shape = f"; the 95 % ends of single coordinates part by at most {percent(end, 2)} of twice the rms, " + (
        f"for certain at {differ} poses, whose errors are not normal" if differ else "no more than sampling may do"
    )
    return f"{verdict}: its rms differs from the Monte Carlo by at most {percent(rms, 2)}{shape}."
