"""Review of a sweep: the criteria against the values of one number."""

from __future__ import annotations

from functools import partial
from itertools import groupby

from armsim import figures
from armsim.criteria import required_in_words
from armsim.decide.sweep import Sweep
from armsim.decide.sweep_map import SweepMap
from armsim.formatting import show_interval
from armsim.report.document import Section, Text
from armsim.report.drawing import Planned
from armsim.report.frame import Frame, criterion_columns, words
from armsim.report.manifest import Sample
from armsim.report.parameter_labels import parameter_label
from armsim.report.review import Review, json_file
from armsim.report.trade_off_review import spread
from armsim.report.verdict import TONES
from armsim.requirement import Verdict, overall_verdict

FIRST = 10
"""Most values on the first page, evenly spread."""


def sweep_frame(sweep: Sweep) -> Frame:
    """Table of every task at every value."""
    pairs = [(point, task) for name in _tasks(sweep) for point, task in sweep.points_of(name)]
    return Frame(
        (
            words("task", [task.name for _, task in pairs]),
            words("value", [point.value for point, _ in pairs]),
            *criterion_columns([task.judgements for _, task in pairs]),
            words("worst pose", [task.worst_pose for _, task in pairs]),
            words("requirement", [task.state for _, task in pairs]),
        ),
        f"{sweep.scenario}: {label(sweep)}",
    )


def label(sweep: Sweep) -> str:
    """Number that is swept, in words."""
    return parameter_label(sweep.path, [joint.name for joint in sweep.study.scenario.machine.joints])


def _tasks(sweep: Sweep) -> list[str]:
    return [task.name for task in sweep.points[0].tasks]


def sweep_state(sweep: Sweep) -> Verdict:
    """Worst state over all values."""
    return overall_verdict(judgement for point in sweep.points for task in point.tasks for judgement in task.judgements)


def sweep_answer(sweep: Sweep) -> str:
    """Sentence on the values at which the requirement is met."""
    record = sweep
    if sweep.requirement is None:
        worst = max(_tasks(sweep), key=lambda name: max(task.judgements[0].value for _, task in sweep.points_of(name)))
        (first, start), *_, (last, end) = sweep.points_of(worst)
        at_start, at_end = (
            show_interval(task.judgements[0].value, task.judgements[0].interval) for task in (start, end)
        )
        statistic = f"{start.judgements[0].statistic} at {worst}"
        return f"{statistic} lie within {at_start} at {first.value}, {at_end} at {last.value}."
    states = [
        (point.value, overall_verdict(judgement for task in point.tasks for judgement in task.judgements))
        for point in record.points
    ]
    parts = []
    for state, group in groupby(states, key=lambda pair: pair[1]):
        values = [value for value, _ in group]
        parts.append(f"{state} at {values[0]}" if len(values) == 1 else f"{state} from {values[0]} to {values[-1]}")
    text = ", ".join(parts)
    return f"{text[:1].upper()}{text[1:]}, at the {len(record.points)} values of {label(sweep)}."


def sweep_map_sentence(sweep_map: SweepMap) -> str:
    """Sentence on the pairs of values at which the requirement is met."""
    sweeps, study = sweep_map.sweeps, sweep_map.sweeps[0].study
    joints = [joint.name for joint in study.scenario.machine.joints]
    both = f"{parameter_label(sweep_map.path, joints)} and {label(sweeps[0])}"
    points = [point for sweep in sweeps for point in sweep.points]
    if study.scenario.requirement is None:
        return f"Nothing is required; {len(points)} pairs of {both}."
    states = [overall_verdict(judgement for task in point.tasks for judgement in task.judgements) for point in points]
    return f"The requirement is met at {states.count('met')} of {len(points)} pairs of {both}."


def sweep_review(sweep: Sweep) -> Review:
    """Review of a sweep."""
    record, scenario, frame = sweep, sweep.study.scenario, sweep_frame(sweep)
    sample = Sample(record.seed, record.units, record.visits)
    points = len(record.points)
    sections = []
    for n, name in enumerate(_tasks(sweep)):
        part = frame.pick(range(n * points, (n + 1) * points)).without("task")
        sections.append(Frame(part.columns, name).table())
    worst = max(
        range(len(sections)),
        key=lambda n: max(task.judgements[0].utilisation for _, task in sweep.points_of(_tasks(sweep)[n])),
    )
    first = frame.pick(range(worst * points, (worst + 1) * points)).without("task")
    limits = "" if sweep.requirement is None else f", and where does it keep {required_in_words(sweep.requirement)}"
    states = {
        overall_verdict(judgement for task in point.tasks for judgement in task.judgements) for point in record.points
    }
    note = f"worst pose of each task; band: 95 % interval; {record.units} arms × {record.visits} visits"
    return Review(
        f"{record.scenario}: {label(sweep)} from {record.points[0].value} to {record.points[-1].value}",
        f"Arm {scenario.machine.arm.name}; {sample.sizes}, the same poses and random numbers at every value",
        f"what does {label(sweep)} do to the tool-point error of {record.scenario}{limits}?",
        sweep_answer(sweep),
        TONES[states.pop()] if len(states) == 1 and sweep.requirement is not None else "strong",
        spread(Frame(first.columns, _tasks(sweep)[worst]), FIRST).table(),
        (
            Section(
                "Value by value",
                "sweep",
                (*sections, Text("The same poses and random numbers at every value; intervals of 95 %.", "soft")),
            ),
        ),
        _figures(sweep, note),
        ("sweep",),
        notes=scenario.notes,
        model=scenario,
        sample=sample,
        sources=scenario.sources,
        files={"sweep.json": json_file(sweep.to_dict())},
        tables={"sweep": frame.exact},
    )


def _figures(sweep: Sweep, note: str) -> tuple[Planned, ...]:
    """A figure of the first criterion of the tasks against the values, and one of every other that is required."""
    out = []
    for number, criterion in enumerate(sweep.criteria):
        draw = partial(figures.sweep, label(sweep), sweep.unit, sweep.judgements_by_task(criterion), note)
        name = f"sweep-{criterion.replace(' ', '-')}" if number else "sweep"
        out.append(Planned("sweep", name, "The same poses and random numbers at every value.", draw, wide=True))
    return tuple(out)
