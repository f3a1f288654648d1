"""Review of a run, from its result alone."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from armsim.figures import required
from armsim.formatting import percent, rounding_as_zero
from armsim.report.assumed_values import assumed_sentence
from armsim.report.csv_tables import run_tables
from armsim.report.document import Block, Folded, Section, Table, Text
from armsim.report.findings import acceptance_sentence, dominance, other_criteria_sentence, question
from armsim.report.first_page import first_page_figures
from armsim.report.frame import Frame, comparable_lengths, lengths, shares, unitless, words
from armsim.report.gallery import OTHER_TASKS, figures_of, is_in_body
from armsim.report.joint_tables import each_term, joints_section
from armsim.report.manifest import Sample
from armsim.report.operation_tables import operation_section
from armsim.report.pictures import NO_EXTRAS, Extras
from armsim.report.recommendations import advice, recommendations_section
from armsim.report.review import Review, json_file, result_file
from armsim.report.ripple_tables import motion_section
from armsim.report.sensor_tables import better_sensors, each_and_every_pose, sensors_frame
from armsim.report.two_sensor_tables import two_sensors_section
from armsim.report.verdict import TONES, deciding_task, headline, headline_judgement, task_frame
from armsim.report.workbook import workbook_file
from armsim.requirement.requirement import coverage_of
from armsim.results import Result, Summary, TaskResult
from armsim.sources import Source

WORST = 8
"""Most poses of a task named in the document."""
LEAST_SHARE = 5e-4
"""Share below which groups and causes are omitted."""


def run_review(result: Result, sources: Sequence[Source], extras: Extras = NO_EXTRAS) -> Review:
    """Review of a run."""
    task = deciding_task(result)
    in_headline = headline_judgement(result).finding
    others = [reason for reason in result.reasons if in_headline not in reason]
    reason_sentences = tuple(f"{reason[:1].upper()}{reason[1:]}." for reason in others)
    contributions, assumed = dominance(result, task), assumed_sentence(result, task)
    prices = [f"{name} {value:g}" for name, value in result.prices.items() if value]
    price_parts = f" ({', '.join(prices)})" if len(prices) > 1 else ""
    price = f"sensors {result.price:g} cost units{price_parts}"
    planned = tuple(figures_of(result, extras))
    further_sentences = () if required(result) else other_criteria_sentence(result)  # the figure of gauges shows them
    return Review(
        result.scenario,
        f"Arm {result.arm}; {price}; {Sample.of(result).sizes}",
        question(result),
        headline(result),
        TONES[result.state],
        task_frame(result).table(),
        (
            _arm(result),
            joints_section(result),
            _workspace(result),
            _population(result),
            *motion_section(result),
            *operation_section(result),
            *two_sensors_section(result),
            _contributions(result, contributions),
            recommendations_section(result, extras),
        ),
        planned,
        first_page_figures(result, [figure.name for figure in planned]),
        design=sensors_frame(result).table(),
        sentences=tuple(filter(None, (*reason_sentences, *further_sentences, each_and_every_pose(result), assumed))),
        advice=tuple(filter(None, (better_sensors(result), *advice(result, extras)))),
        notes=(*extras.notes, *result.warnings),
        key_facts=(contributions,),
        appendix=(
            *_other_tasks(result),
            Section("Error budget of each joint, cause by cause", "terms", tuple(each_term(result))),
            _poses(result),
            _agreement(result),
        ),
        model=result,
        sample=Sample.of(result),
        sources=tuple(sources),
        files={
            "results.json": result_file(result),
            **({} if extras.what_ifs is None else {"what-if.json": json_file(extras.what_ifs.to_dict())}),
            **({} if extras.trade_off is None else {"trade-off.json": json_file(extras.trade_off.to_dict())}),
            **({} if extras.live_budgets is None else {"budget.xlsx": workbook_file(result, extras.live_budgets)}),
        },
        tables=run_tables(result),
    )


SUFFICES = 0.05
"""Difference of the rms by first order below which first order suffices. Common practice, no source."""
_ACCURACY_TEXT = (
    "The accuracy AP of a built arm is the distance of its mean attained point from the command. Its "
    "repeatability RP is the scatter of its visits: mean distance from that point plus three standard deviations "
    "(ISO 9283:1998). Both are meant in the limit of infinitely many visits; a test of few visits reports larger "
    "values. Built arms differ, so both are distributions."
)


def _arm(result: Result) -> Section:
    groups = "; ".join(f"{name}: {', '.join(members)}" for name, members in result.groups.items())
    text = Text(f"Groups of joints: {groups}." if groups else "The arm has no groups of joints.")
    return Section("The arm and its sensors", "arm", (text,))


def _other_tasks(result: Result) -> tuple[Section, ...]:
    """Section with the figures of the tasks that do not decide, where the body shows the deciding one alone."""
    if all(is_in_body(result, task) for task in result.tasks):
        return ()
    text = Text(f"The body shows the figures of {deciding_task(result).name}, the task that decides.")
    return (Section("Figures of the other tasks", OTHER_TASKS, (text,)),)


def _workspace(result: Result) -> Section:
    blocks: list[Block] = []
    for task in result.tasks:
        blocks.append(Text(_worst_pose(result, task), "soft"))
        within = task.summary.within
        if within is not None:
            low, high = (percent(end) for end in within.interval)
            sure = "" if low == high else f" ({low} to {high} by the intervals of their figures)"
            share = f"{percent(within.value)} of the poses{sure}"
            blocks.append(Text(f"{task.name}: the error is within the position limit at {share}."))
        notes = list(task.notes)
        if task.near_singular:
            notes.append(f"{len(task.near_singular)} poses are near-singular; tables/near-singular.csv lists them")
        if task.unreachable:
            notes.append(f"{len(task.unreachable)} poses cannot be reached; tables/unreachable.csv lists them")
        blocks += [Text(f"{task.name}: {note}.", "soft") for note in notes]
    return Section("The error over the workspace", "workspace", tuple(blocks))


def _population(result: Result) -> Section:
    tests = [*other_criteria_sentence(result), *(acceptance_sentence(task) for task in result.tasks)]
    return Section(
        "Accuracy and repeatability over the population",
        "population",
        (*(Text(text) for text in tests if text), Text(_ACCURACY_TEXT, "soft")),
    )


def _poses(result: Result) -> Section:
    """Section on the worst poses and the measures of every task."""
    blocks: list[Block] = []
    for task in result.tasks:
        blocks.append(_worst(task, coverage_of(result.requirement)))
        if task.measures:
            blocks.append(_measures(task))
    return Section("Poses and measures", "poses", tuple(blocks))


def _worst(task: TaskResult, coverage: float) -> Table:
    order = np.argsort(-task.column("error.at_coverage"), kind="stable")[:WORST]
    poses = [task.poses[int(n)] for n in order]
    errors, ap, rp = ([getattr(pose, name) for pose in poses] for name in ("error", "accuracy", "repeatability"))
    quantile = f"{percent(coverage)} of errors within"
    columns = (
        words("pose", [pose.name for pose in poses]),
        lengths("rms", [row.rms for row in errors], [row.rms_interval for row in errors]),
        lengths(quantile, [row.at_coverage for row in errors], [row.at_coverage_interval for row in errors]),
        lengths("largest seen", [row.max for row in errors]),
        lengths("AP, 95 % of arms", [row.p95 for row in ap], [row.p95_interval for row in ap]),
        lengths("RP, 95 % of arms", [row.p95 for row in rp]),
    )
    count = f"the {len(order)} worst of {len(task.poses)} poses" if len(task.poses) > len(order) else "its poses"
    return Frame(columns, f"{task.name}: {count}").table()


def _worst_pose(result: Result, task: TaskResult) -> str:
    """Sentence on position and joints of a task's worst pose."""
    pose = task.pose(task.summary.worst_pose)
    position = ", ".join(f"{value * 1e3:.4g}" for value in rounding_as_zero(pose.position))
    joints = (
        f"{name} {math.degrees(value):.4g} deg" if budget.unit == "rad" else f"{name} {value * 1e3:.4g} mm"
        for (name, budget), value in zip(result.joints.items(), rounding_as_zero(pose.joints), strict=True)
    )
    along = "" if pose.along is None else f", {pose.along * 1e3:.4g} mm along the path"
    return f"The worst pose, {pose.name}{along}: tool point at ({position}) mm, joints at {', '.join(joints)}."


def _measures(task: TaskResult) -> Table:
    rows = task.measures
    columns = (
        words("measure of ISO 9283", [f"{row.name}, {row.what}" for row in rows]),
        words("where", [row.where for row in rows]),
        words("clause", [row.clause for row in rows]),
        *comparable_lengths([
            ("median", [row.p50 for row in rows], [row.p50_interval for row in rows]),
            ("95 % of arms within", [row.p95 for row in rows], [row.p95_interval for row in rows]),
        ]),
    )  # fmt: skip
    return Frame(columns, f"{task.name}: measures over the task").table()


def _contributions(result: Result, largest: str) -> Section:
    table = shares_frame({task.name: task.summary for task in result.tasks}).table()
    note = Text("Mean over all poses of a task, weighted by their mean square errors; by first order.", "soft")
    return Section("Error contributions", "contributions", (Text(largest), table, note))


def shares_frame(summaries: Mapping[str, Summary], title: str = "") -> Frame:
    """Table of the shares of groups and causes, one column per task or design."""
    names = dict.fromkeys(name for summary in summaries.values() for name in (*summary.groups, *summary.causes))
    parts = {
        name: [summary.groups.get(name, summary.causes.get(name, 0.0)) for summary in summaries.values()]
        for name in names
    }
    largest = {name: row for name, row in parts.items() if max(map(abs, row)) >= LEAST_SHARE}
    groups = {name for summary in summaries.values() for name in summary.groups}
    labels = [f"group {name}" if name in groups else name for name in largest]
    columns = [shares(name, [row[n] for row in largest.values()]) for n, name in enumerate(summaries)]
    return Frame((words("share of the mean square error", labels), *columns), title)


def _agreement(result: Result) -> Section:
    ratios, worst = [], []
    for task in result.tasks:
        sampled = task.column("error.rms")
        ratio = np.divide(task.column("first_order.rms"), sampled, out=np.ones_like(sampled), where=sampled > 0)
        ratios.append(f"{ratio.min():.3f} to {ratio.max():.3f}")
        worst.append(task.pose(task.summary.worst_pose).first_order.validation[0])
    counts = {
        name: [task.summary.first_order_agrees.get(key, 0) for task in result.tasks]
        for name, key in (("agree", "agrees"), ("differ", "differs"), ("undecided", "undecided"))
    }
    frame = Frame(
        (
            words("task", [task.name for task in result.tasks]),
            *(unitless(name, column) for name, column in counts.items()),
            words("ratio of rms, first order to Monte Carlo", ratios),
            words("verdict at the worst pose", [comparison.verdict for comparison in worst]),
            *comparable_lengths(
                [
                    ("difference of interval ends there", [comparison.difference for comparison in worst], None),
                    ("tolerance there", [comparison.tolerance for comparison in worst], None),
                ]
            ),
        )
    )
    details = Text(
        "The 95 % interval of each coordinate, by first order and by Monte Carlo, is compared at every pose. Its "
        "ends must agree to two significant digits of the standard uncertainty (JCGM 101:2008 clause 8). "
        "Undecided: more arms would decide. An end differs only if it does so by four standard deviations of its "
        "sampling, since every pose has six ends. Where it differs, rely on the Monte Carlo, whose kinematics is "
        "exact.",
        "soft",
    )
    folded = Folded("pose by pose, by JCGM 101:2008 clause 8", (details, frame.table()))
    return Section("Monte Carlo and first order", "agreement", (Text(_suffices(result)), folded))


def _suffices(result: Result) -> str:
    """Sentence on the largest deviation of first order from Monte Carlo, and whether it suffices."""
    rms = end = 0.0
    for task in result.tasks:
        sampled, first = task.column("error.rms"), task.column("first_order.rms")
        rms = max(rms, float(np.max(np.abs(np.divide(first, sampled, out=np.ones_like(first), where=sampled > 0) - 1))))
        differences = task.column("first_order.validation.difference")[:, 0]
        relative_differences = np.divide(differences, 2 * sampled, out=np.zeros_like(first), where=sampled > 0)
        end = max(end, float(np.max(relative_differences)))
    differ = sum(task.summary.first_order_agrees.get("differs", 0) for task in result.tasks)
    verdict = (
        "First order suffices for the size of the error"
        if rms < SUFFICES
        else "First order ranks contributions here, the verdict needs the Monte Carlo"
    )
    poses = "1 pose" if differ == 1 else f"{differ} poses"
    shape = f"significantly at {poses}, whose errors are not normal" if differ else "which is within the sampling error"
    return (
        f"{verdict}: the two values of the rms differ by at most {percent(rms, 2)}. The 95 % limits of single "
        f"coordinates differ by at most {percent(end, 2)} of twice the rms, {shape}."
    )
