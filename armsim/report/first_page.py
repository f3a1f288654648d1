"""What stands on the page that decides: its pictures, and the strongest recommendations."""

from __future__ import annotations

from collections.abc import Sequence

from armsim.formatting import signed
from armsim.report.findings import number_of
from armsim.report.pictures import Extras
from armsim.report.verdict import deciding_task
from armsim.results import Result
from armsim.results.poses import BIAS

NEGLIGIBLE = 1e-4
"""Share of the mean square error below which nothing is recommended."""


def leading(result: Result, names: Sequence[str]) -> tuple[str, ...]:
    """Names of the figures that are seen on the first page, of all that are drawn: where the error is, where it comes
    from, how many arms pass; of the task that decides."""
    start = f"{number_of(result, deciding_task(result))}-"
    drawn = [name for name in names if name.startswith(start)]

    def ending(*ends: str) -> list[str]:
        return [name for end in ends for name in drawn if name.endswith(f"-{end}")][:1]

    return (*ending("cut", "map", "poses", "path", "distribution"), *ending("budget"), *ending("yield", "population"))


ADVICE = 3
"""Recommendations on the first page."""


def advice(result: Result, extras: Extras) -> list[str]:
    """The strongest recommendations with what each is worth: sampled changes where they were asked for, else what first
    order leaves without a cause, its scatter and its mean."""
    task = deciding_task(result)
    if extras.what_ifs is not None:
        rows = [row for row in extras.what_ifs.of(task.name) if row.at_coverage.value < 0][:ADVICE]
        what = f"of the {result.quantile} at the worst pose"
        return [f"{row.kind[:1].upper()}{row.kind[1:]}, {row.what}: {signed(*row.at_coverage)} {what}." for row in rows]
    at = list(task.poses.names).index(task.summary.worst_pose)
    rms = float(task.column("first_order.rms")[at])
    left = sorted((task.poses.rms_without(at, *name), *name) for name in task.poses.share_names if name != BIAS)
    return [
        f"Without the {cause} of {owner} the rms error at the worst pose would change by {signed(rest - rms, None)}."
        for rest, owner, cause in left[:ADVICE]
        if rms - rest >= 0.5 * NEGLIGIBLE * rms
    ]
