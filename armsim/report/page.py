"""report.html: one self-contained page for the review."""

from __future__ import annotations

import base64
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from armsim.posetable import PoseResult
from armsim.present import orders, percent, show, show_interval, show_joint, significant
from armsim.results import Result, TaskResult


def write_page(path: Path, result: Result, pictures: list[tuple[str, str, Path]], manifest: dict[str, Any]) -> None:
    """Write the page.

    Parameters
    ----------
    path : Path
    result : Result
        Every number on the page is read from it.
    pictures : list of (name, caption, SVG file)
        Embedded.
    manifest : dict
        Provenance.
    """
    from jinja2 import Environment

    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(files("armsim.report").joinpath("page.html").read_text(encoding="utf-8"))
    embedded = [
        {
            "name": name,
            "caption": caption,
            "data": base64.b64encode(picture.read_bytes()).decode(),
        }
        for name, caption, picture in pictures
    ]
    text = template.render(
        result=result,
        manifest=manifest,
        pictures=embedded,
        answers=answers(result),
        worst_poses=worst_poses,
        show=show,
        show_interval=show_interval,
        percent=percent,
        joint_value=show_joint,
        orders=orders,
        significant=significant,
    )
    path.write_text(text, encoding="utf-8")


def worst_poses(task: TaskResult, most: int = 8) -> list[PoseResult]:
    """The poses with the largest 95 % quantile, the worst first."""
    order = np.argsort(-task.column("error.p95"), kind="stable")[:most]
    return [task.poses[int(n)] for n in order]


def answers(result: Result) -> list[str]:
    """The answer of every task, a sentence or two each, from the result alone."""
    return [_answer(result, task) for task in result.tasks]


def _answer(result: Result, task: TaskResult) -> str:
    summary, requirement = task.summary, result.requirement
    shares = {name: share for name, share in summary.causes.items() if name != "bias"}
    top = max(shares, key=lambda name: shares[name]) if shares else None
    blame = f" The largest cause is {top}, {percent(shares[top], 2)} of the mean square error." if top else ""
    bias = summary.causes.get("bias", 0.0)
    if top and bias > shares[top]:
        blame = (
            f" The mean of all units (what is not random: wind-up, latency, a one-sided approach) makes "
            f"{percent(bias, 2)} of the mean square error, then {top} {percent(shares[top], 2)}."
        )
    p95 = show_interval(summary.p95, summary.p95_interval)
    if requirement is None:
        return f"{task.name}: 95 % of errors lie within {p95} at the worst pose, {summary.worst_pose}.{blame}"
    coverage = percent(requirement.coverage)
    verdict = "met" if summary.met else "not met"
    judged = summary.yield_
    passed = (
        ""
        if judged is None
        else (
            f" {percent(judged.value)} of built arms pass at every pose "
            f"({percent(judged.interval[0])} to {percent(judged.interval[1])})."
        )
    )
    why = f" Why: {'; '.join(summary.reasons)}." if summary.reasons else ""
    return (
        f"{task.name}: requirement {verdict}. {coverage} of errors lie within {show(summary.at_coverage)} at the worst "
        f"pose, required {show(requirement.position)}.{passed}{blame}{why}"
    )
