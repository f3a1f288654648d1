"""Pictures and recommendations of the first page."""

from __future__ import annotations

from collections.abc import Sequence

from armsim.formatting import signed
from armsim.report.decision_sentences import signed_change
from armsim.report.findings import number_of
from armsim.report.pictures import Extras
from armsim.report.verdict import deciding_task
from armsim.results import Result
from armsim.results.poses import BIAS

NEGLIGIBLE = 1e-4
"""Share of the mean square error below which nothing is recommended."""


def leading(result: Result, names: Sequence[str]) -> tuple[str, ...]:
    """Names of the figures on the first page, for the deciding task: error, contributions, population."""
    start = f"{number_of(result, deciding_task(result))}-"
    candidates = [name for name in names if name.startswith(start)]

    def ending(*ends: str) -> list[str]:
        return [name for end in ends for name in candidates if name.endswith(f"-{end}")][:1]

    return (*ending("cut", "map", "poses", "path", "distribution"), *ending("budget"), *ending("yield", "population"))


ADVICE = 3
"""Most recommendations on the first page."""


def advice(result: Result, extras: Extras) -> list[str]:
    """Strongest recommendations with their gain: sampled what-ifs where available, else first order without a cause."""
    task = deciding_task(result)
    if extras.what_ifs is not None:
        rows = [row for row in extras.what_ifs.of(task.name) if row.criteria[0].gain > 0][:ADVICE]
        return [
            f"{row.kind[:1].upper()}{row.kind[1:]}, {row.what}: {signed_change(row.criteria[0])} of the "
            f"{row.criteria[0].phrase}."
            for row in rows
        ]
    at = list(task.poses.names).index(task.summary.worst_pose)
    rms = float(task.column("first_order.rms")[at])
    reductions = sorted((task.poses.rms_without(at, *name), *name) for name in task.poses.share_names if name != BIAS)
    return [
        f"Without the {cause} of {owner} the rms error at the worst pose would change by "
        f"{signed(remaining - rms, None)}."
        for remaining, owner, cause in reductions[:ADVICE]
        if rms - remaining >= 0.5 * NEGLIGIBLE * rms
    ]
