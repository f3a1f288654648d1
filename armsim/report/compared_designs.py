"""Designs of a comparison: their letters, what differs between them, and which of them to take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, is_dataclass, replace
from string import ascii_uppercase
from typing import Any

import numpy as np

from armsim.decide.compare import Comparison
from armsim.model.joint import Joint
from armsim.model.machine import Machine
from armsim.report.decision_sentences import gain_per_cost, joints_grouped
from armsim.report.document import Tone
from armsim.report.frame import Frame, changes, quoted, unitless, words
from armsim.report.verdict import TONES, deciding_task, decisive, headline
from armsim.requirement import FROM_BEST_TO_WORST

LABELS = {"transmission": "gear", "temperature_rise": "temperature", "motor_encoder": "second encoder"}
"""Words for the parts of a joint whose field has another name."""
UNCOMPARED = ("name", "encoder", "placement", "travel", "farthest", "needs", "fitting")
"""Fields of a joint that make no error, and those compared by name."""


def letters(count: int) -> tuple[str, ...]:
    """Letters that name a number of designs; numbers beyond the alphabet."""
    return tuple(ascii_uppercase[n] if n < len(ascii_uppercase) else str(n + 1) for n in range(count))


def common_name(names: Sequence[str]) -> str:
    """Common beginning of the names of all designs, up to a comma or colon; empty if there is none."""
    first, *others = names
    ends = [
        n for n, sign in enumerate(first) if sign in ",:" and all(name.startswith(first[: n + 1]) for name in others)
    ]
    return first[: ends[-1]] if ends else ""


def short_names(names: Sequence[str]) -> list[str]:
    """Names of designs without their common beginning; a design whose name has nothing else keeps it."""
    common = common_name(names)
    return [name[len(common) :].lstrip(",: ") or name for name in names]


def lettered(comparison: Comparison) -> Comparison:
    """The same comparison with letters as the names of its designs."""
    names = [result.scenario for result in comparison.results]
    letter = dict(zip(names, letters(len(names)), strict=True))
    return replace(
        comparison,
        results=tuple(replace(result, scenario=letter[result.scenario]) for result in comparison.results),
        differences=tuple(replace(row, scenario=letter[row.scenario]) for row in comparison.differences),
        other_requirements={letter[name]: required for name, required in comparison.other_requirements.items()},
        joints=tuple(replace(row, scenario=letter[row.scenario]) for row in comparison.joints),
    )


def what_differs(first: Machine, second: Machine) -> str:
    """Differences of a design to the first; equal ones of several joints together: "j1, j2: disc 50 at output"."""
    if len(first.joints) != len(second.joints):
        return "another arm"
    pairs = zip(first.joints, second.joints, strict=True)
    changes_by_joint = [
        (joint.name, ", ".join(_changed_parts(joint_of_first, joint))) for joint_of_first, joint in pairs
    ]
    changed = [(name, text) for name, text in changes_by_joint if text]
    parts = joints_grouped(changed, len(second.joints))
    parts += [name for name in _changed_fields(first, second) if name != "joints"]
    return "; ".join(parts) or "nothing"


def _changed_parts(first: Joint, second: Joint) -> list[str]:
    parts = []
    if first.encoder.name != second.encoder.name or first.placement != second.placement:
        parts.append(f"{second.encoder.name} ({second.placement})")
    elif not _same(first.encoder, second.encoder):
        parts.append("encoder")
    names = [name for name in _changed_fields(first, second) if name not in UNCOMPARED]
    return parts + [LABELS.get(name, name.replace("_", " ")) for name in names]


def _changed_fields(first: Joint | Machine, second: Joint | Machine) -> list[str]:
    names = [field.name for field in fields(first)]
    return [name for name in names if not _same(getattr(first, name), getattr(second, name))]


def _same(first: Any, second: Any) -> bool:
    """Whether two values are equal, field by field and element by element."""
    if type(first) is not type(second):
        return False
    if is_dataclass(first):
        return all(_same(getattr(first, field.name), getattr(second, field.name)) for field in fields(first))
    if isinstance(first, tuple):
        return len(first) == len(second) and all(map(_same, first, second))
    return bool(np.array_equal(first, second)) if isinstance(first, np.ndarray) else bool(first == second)


def compared_frame(comparison: Comparison) -> Frame:
    """Table of the first page: a row per design with what differs, price, deciding figure, gain and verdict.

    Parameters
    ----------
    comparison : Comparison
        With the names of its designs.
    """
    results, task = comparison.results, deciding_task(comparison.results[0])
    names = [result.scenario for result in results]
    rows = {row.scenario: row for row in comparison.differences if row.task == task.name}
    criterion = next(iter(rows.values())).criteria[0]
    figures = [result.task(task.name).summary.judgement(criterion.criterion) for result in results]
    gains = [rows[name].criteria[0] if name in rows else None for name in names]
    figure_name = next((figure.statistic for figure in figures if figure is not None), criterion.phrase)
    machines = comparison.machines
    differing = ["–", *(what_differs(machines[0], machine) for machine in machines[1:])]
    return Frame(
        (
            words("", letters(len(names))),
            words("design", short_names(names)),
            words("differs from A by", differing),
            unitless("price", [result.price for result in results]),
            quoted(
                figure_name, [None if figure is None else figure.value for figure in figures],
                ["–" if figure is None else figure.figure for figure in figures],
                intervals=[None if figure is None else figure.interval for figure in figures],
            ),
            quoted(
                "difference to A", [None if gain is None else gain.change.value for gain in gains],
                changes("", [None if gain is None else gain.change for gain in gains], criterion.quantity).with_units,
                intervals=[None if gain is None else gain.change.interval for gain in gains],
            ),
            words("gain per cost unit", [gain_per_cost(rows[name]) or "–" if name in rows else "–" for name in names]),
            words("requirement", [result.state for result in results]),
        ),
        f"at {task.name}; requirement: over all tasks and criteria",
    )  # fmt: skip


def recommendation(comparison: Comparison) -> tuple[str, Tone]:
    """Sentence on which design to take, and its tone: the cheapest that meets the requirement, or what comes closest.

    Without a requirement the design of the smallest error at the deciding task.

    Parameters
    ----------
    comparison : Comparison
        As `lettered`.
    """
    results = comparison.results
    if results[0].requirement is None:
        best = min(results, key=lambda result: deciding_task(result).summary.at_coverage)
        return f"{best.scenario} has the smallest error. {headline(best)}", "strong"
    state = min((result.state for result in results), key=FROM_BEST_TO_WORST.index)
    of_state = [result for result in results if result.state == state]
    if state == "met":
        best = min(of_state, key=lambda result: (result.price, deciding_task(result).summary.at_coverage))
        which = "the only design" if len(of_state) == 1 else "the cheapest design"
        answer = f"{best.scenario}, for {best.price:g} cost units, is {which} that meets the requirement."
        return f"{answer} {headline(best)}", TONES[state]
    best = min(of_state, key=lambda result: decisive(result)[1].utilisation)
    none = "No design is shown to meet" if state == "not resolved" else "No design meets"
    return f"{none} the requirement; closest is {best.scenario}. {headline(best)}", TONES[state]
