"""Pictures of the first page."""

from __future__ import annotations

from collections.abc import Sequence

from armsim.report.findings import number_of
from armsim.report.verdict import deciding_task
from armsim.results import Result


def first_page_figures(result: Result, names: Sequence[str]) -> tuple[str, ...]:
    """Names of the figures on the first page, for the deciding task: error, contributions, population."""
    start = f"{number_of(result, deciding_task(result))}-"
    candidates = [name for name in names if name.startswith(start)]

    def ending(*ends: str) -> list[str]:
        return [name for end in ends for name in candidates if name.endswith(f"-{end}")][:1]

    error = ending("cut", "map", "poses", "path", "distribution")
    return (*error, *ending("budget"), *ending("arms", "yield", "population"))
