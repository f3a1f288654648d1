"""What stands on the page that decides: its pictures, and the strongest recommendations."""

from __future__ import annotations

from armsim.formatting import signed
from armsim.report.document import Picture
from armsim.report.findings import number_of
from armsim.report.pictures import Extras, Pictures
from armsim.report.verdict import deciding_task
from armsim.results import Result
from armsim.results.poses import BIAS

NEGLIGIBLE = 1e-4
"""Share of the mean square error below which nothing is recommended."""


def decisive(result: Result, pictures: Pictures) -> list[Picture]:
    """What is seen on the first page: where the error is, where it comes from, how many arms pass; of the task that
    decides."""
    number = number_of(result, deciding_task(result))
    own = {
        picture.name: picture
        for shown in pictures.values()
        for picture in shown
        if picture.name.startswith(f"{number}-")
    }

    def named(*ends: str) -> list[Picture]:
        return [picture for end in ends for name, picture in own.items() if name.endswith(f"-{end}")][:1]

    return [*named("cut", "map", "poses", "path", "distribution"), *named("budget"), *named("yield", "population")]


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
