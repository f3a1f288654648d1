"""Gauges: the figures of required criteria on the scale of their limits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from matplotlib.axes import Axes

from armsim.figures import style
from armsim.requirement import Judgement, deciding_judgement
from armsim.results import Result

LONGEST = 1.6
"""Largest ratio of figure to limit that is drawn to scale; longer bars end in an arrow."""
MOST_GAUGES = 6
"""Largest number of gauges in the figure: those closest to their limits."""
COLOURS = {"met": "#1d6b49", "not resolved": "#8a5a00", "not met": "#a81f2b"}
"""Colours of the states, the same as those of the verdict in a document."""
HATCHES = {"met": "", "not resolved": "...", "not met": "///"}


def required(result: Result) -> list[tuple[str, Judgement]]:
    """Judgements with a limit that a scale can show, with the name of their task; the deciding one first."""
    pairs = [
        (name, judgement)
        for name, judgement in result.named_judgements
        if judgement.limit and judgement.quantity != "count"
    ]
    first = deciding_judgement([judgement for _, judgement in result.named_judgements])
    return sorted(pairs, key=lambda pair: (pair[1] is not first, -pair[1].utilisation))


def gauges(result: Result) -> style.Drawing:
    """Required criteria as bars from zero to their figures, all limits on one line; at most `MOST_GAUGES`.

    Raises
    ------
    ValueError
        Nothing is required.
    """
    limited = required(result)
    if not limited:
        raise ValueError("nothing is required")
    several = len(result.tasks) > 1
    rows = [(_name(task, judgement, several), judgement) for task, judgement in limited[:MOST_GAUGES]]
    note = f"the {len(rows)} of {len(limited)} criteria that are closest to their limits"
    return judgement_gauges(
        rows, _finding([judgement for _, judgement in limited]), note if len(limited) > len(rows) else ""
    )


def judgement_gauges(rows: Sequence[tuple[str, Judgement]], title: str, note: str = "") -> style.Drawing:
    """Judgements as bars from zero to their figures, all limits on one line, the first on top.

    Parameters
    ----------
    rows : sequence of (name, Judgement)
        With limits that a scale can show.
    title, note : str
    """
    with style.style():
        out, axes = style.figure(6.4, 0.36 + 0.185 * len(rows))
        for row, (_, judgement) in enumerate(reversed(rows)):
            _gauge(axes, row, judgement)
            out.annotate(axes, [1.0], [row], texts=[f"{judgement.finding}, {judgement.limit_phrase}"])
        axes.axvline(1.0, color=style.REQUIREMENT, linewidth=1.8, zorder=4)
        axes.set_yticks(range(len(rows)), [name for name, _ in reversed(rows)])
        axes.set_xticks([0.0, 0.5, 1.0, 1.5], ["0", "50 %", "limit", "150 %"])
        axes.set(xlim=(0.0, LONGEST), ylim=(-0.6, len(rows) - 0.4))
        axes.grid(axis="y", visible=False)
        texts = axes.secondary_yaxis("right")
        texts.set_yticks(range(len(rows)), [_text(judgement) for _, judgement in reversed(rows)])
        texts.tick_params(length=0, labelsize=8)
        axes.tick_params(labelsize=8)
        axes.set_title(title)
        if note:
            style.footnote(out, note)
    return out


def _gauge(axes: Axes, row: int, judgement: Judgement) -> None:
    """One bar with its interval; the permitted side of the limit is shaded."""
    assert judgement.limit is not None
    low, high = (1.0, LONGEST) if judgement.at_least else (0.0, 1.0)
    axes.barh([row], [high - low], left=low, height=0.74, color="#eef1f4", zorder=1)
    ratio = judgement.value / judgement.limit
    colour, hatch = COLOURS[judgement.state], HATCHES[judgement.state]
    axes.barh([row], [min(ratio, LONGEST)], 0.42, color=colour, hatch=hatch, edgecolor="white", linewidth=0.0, zorder=2)
    if judgement.interval is not None:
        ends = [min(end / judgement.limit, LONGEST) for end in judgement.interval]
        axes.plot(ends, [row, row], color="#111111", linewidth=1.4, marker="|", markersize=5, zorder=5)
    if ratio > LONGEST:
        axes.plot([LONGEST - 0.03], [row], marker=">", color="white", markersize=5, zorder=6)


def _name(task: str, judgement: Judgement, several: bool) -> str:
    """Criterion of a gauge, with its task if there are several, or with its joint."""
    pose_or_task = judgement.where if not task else task if several else ""
    return f"{pose_or_task}: {judgement.statistic}" if pose_or_task else judgement.statistic


def _text(judgement: Judgement) -> str:
    """Figure, interval and limit: "113.5 µm (111.1 to 116.3), limit 120 µm"."""
    return f"{judgement.figure}, {'at least' if judgement.at_least else 'limit'} {judgement.limit_text}"


def _finding(judgements: Sequence[Judgement]) -> str:
    """How many criteria are in each state."""
    counts = Counter(judgement.state for judgement in judgements)
    parts = [f"{counts['met']} of {len(judgements)} criteria met"]
    parts += [f"{counts[state]} {state}" for state in ("not resolved", "not met") if counts[state]]
    return ", ".join(parts)
