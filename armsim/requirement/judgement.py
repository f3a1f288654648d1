"""Judgement of a criterion: figure, interval, limit, state, and their sentences."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

from armsim.formatting import (
    PERCENT,
    Kind,
    Unit,
    decimals_of,
    distinguishable,
    format_change,
    format_in_unit,
    percent,
    percentage_points,
    show,
    show_interval,
    unit_for,
)  # fmt: skip
from armsim.requirement.state import (
    FROM_BEST_TO_WORST,
    Verdict,
    state_of,
    units_for_interval,
    units_to_resolve,
    worst_of,
)

Quantity = Literal["length", "angle", "share", "count"]
Ends = tuple[float, float]
COUNT = Unit("", 1.0)
LEAST_UTILISATION, MOST_UTILISATION = 1e-3, 10.0
"""Ratios of value to limit between which a value is shown in the unit of the limit."""
MOST_STATED = 1_000_000
"""Largest number of arms that a sentence states."""
KINDS: dict[str, Kind] = {"length": "m", "angle": "rad"}


def show_quantity(value: float, quantity: Quantity, digits: int = 3) -> str:
    """Value of a criterion with its unit."""
    if quantity in KINDS:
        return show(value, KINDS[quantity], digits)
    return f"{value:g}" if quantity == "count" else percent(value, digits)


def show_change(value: float, interval: Ends | None, quantity: Quantity, sign: bool = True) -> str:
    """Change of a value of a criterion with its unit and interval, with or without its sign."""
    if quantity in KINDS:
        return (format_change if sign else show_interval)(value, interval, KINDS[quantity])
    text = f"{value:+g}" if quantity == "count" else percentage_points(value, interval)
    return text if sign else text.removeprefix("+")


@dataclass(frozen=True)
class Judgement:
    """Judgement of one criterion at one task or joint, even if nothing is required.

    Parameters
    ----------
    criterion : str
        Name of the criterion, such as ``position``.
    statistic : str
        Judged statistic as the header of a column: "95 % of errors".
    phrase : str
        The same as a sentence, with {} for the figure: "95 % of errors lie within {}".
    where : str
        Pose or joint with the worst value; empty if the value is that of the whole task.
    value : float
        [m, rad or 1]
    interval : (low, high), optional
        At 95 %; None where the sample gives none.
    limit : float, optional
        None where nothing is required.
    quantity : str
        ``length`` [m], ``angle`` [rad], ``share`` [1] or ``count``.
    at_least : bool
        Whether the value must reach the limit; otherwise it must not exceed it.
    state : Verdict
    cause : str
        Reason of a failure, where known.
    units_to_resolve : int, optional
        Number of units that would resolve it, if it is not resolved and more units would.
    decimals : int, optional
        Decimals of the figure in its unit, common to a table; see `share_digits`.
    unit : str
        Unit in which it is shown, common to a table.
    """

    criterion: str
    statistic: str
    phrase: str
    where: str
    value: float
    interval: Ends | None
    limit: float | None
    quantity: Quantity
    at_least: bool
    state: Verdict
    cause: str = ""
    units_to_resolve: int | None = None
    decimals: int = 0
    unit: str = ""

    @staticmethod
    def from_interval(
        criterion: str,
        statistic: str,
        phrase: str,
        value: float,
        ends: Ends,
        limit: float | None,
        units: int,
        pose: str = "",
        quantity: Quantity = "length",
        at_least: bool = False,
        cause: str = "",
        quantile: float = 1.0,
    ) -> Judgement:
        """Judge a value by the ends of its interval, which are infinite if undetermined.

        ``units`` were sampled; ``quantile`` is the share of arms of which the value is a quantile, 1 where it is none.
        """
        state: Verdict = "none stated" if limit is None else state_of(*ends, limit, at_least)
        more = None if limit is None or state != "not resolved" else units_to_resolve(units, value, *ends, limit)
        if state == "not resolved" and not math.isfinite(ends[1]):
            more = units_for_interval(quantile) or None
        interval = ends if all(math.isfinite(end) for end in ends) else None
        judgement = Judgement(
            criterion, statistic, phrase, pose, value, interval, limit, quantity, at_least, state, cause, more
        )  # fmt: skip
        return share_digits([[judgement]])[0][0]

    @property
    def holds(self) -> bool:
        """Whether the estimate meets the limit, regardless of its interval."""
        if self.limit is None:
            return True
        return self.value >= self.limit if self.at_least else self.value <= self.limit

    @property
    def utilisation(self) -> float:
        """Value over limit, or limit over value for a least value; 0 where nothing is required."""
        if self.limit is None:
            return 0.0
        numerator, denominator = (self.limit, self.value) if self.at_least else (self.value, self.limit)
        return numerator / denominator if denominator > 0 else math.inf if numerator > 0 else 0.0

    @property
    def display_unit(self) -> Unit:
        """Display unit with its factor."""
        fixed = {"share": PERCENT, "count": COUNT}
        return fixed.get(self.quantity) or unit_for([self.value], KINDS[self.quantity], self.unit)

    @property
    def header(self) -> str:
        """Column header with unit."""
        unit = self.display_unit.name
        return f"{self.statistic} [{unit}]" if unit else self.statistic

    @property
    def cell(self) -> str:
        """Figure in a column, without unit."""
        return format_in_unit(self.value, self.interval, self.display_unit.factor, self.decimals)

    @property
    def value_text(self) -> str:
        """Value with unit, with the digits of the figure."""
        return format_in_unit(self.value, None, self.display_unit.factor, self.decimals, self.display_unit.name)

    @property
    def figure(self) -> str:
        """Value with unit and interval: "114 µm (111 to 116)"."""
        return format_in_unit(
            self.value, self.interval, self.display_unit.factor, self.decimals, self.display_unit.name
        )

    @property
    def limit_text(self) -> str:
        """Limit with unit; empty where nothing is required."""
        return "" if self.limit is None else show_quantity(self.limit, self.quantity)

    @property
    def limit_phrase(self) -> str:
        """The limit as a phrase, such as "100 µm required"."""
        if self.quantity == "count":
            return "none allowed"
        return f"at least {self.limit_text} required" if self.at_least else f"{self.limit_text} required"

    @property
    def finding(self) -> str:
        """Figure in a sentence, without the limit."""
        return self.phrase.format(self.figure) + (f" at {self.where}" if self.where else "")

    @property
    def margin(self) -> str:
        """Distance of the value from its limit; empty where nothing is required."""
        if self.limit is None or self.quantity == "count":
            return ""
        value, limit = distinguishable(self.value, self.limit, partial(show_quantity, quantity=self.quantity))
        if value == limit:
            return f"exactly the {limit} required"
        unit = "percentage points" if self.quantity == "share" else self.display_unit.name
        gap = format_in_unit(abs(self.value - self.limit), None, self.display_unit.factor, self.decimals, unit)
        return f"{gap} {'below' if self.value < self.limit else 'above'} the {limit} required"

    @property
    def excess(self) -> str:
        """Amount by which the value is beyond its limit, with its interval; empty where it keeps the limit."""
        if self.limit is None or self.holds:
            return ""
        if self.quantity == "count":
            return self.value_text
        low, high = self.interval or (self.value, self.value)
        gaps = [self.limit - end if self.at_least else end - self.limit for end in (self.value, low, high)]
        ends = None if self.interval is None else (min(gaps[1:]), max(gaps[1:]))
        unit = "percentage points" if self.quantity == "share" else self.display_unit.name
        return format_in_unit(gaps[0], ends, self.display_unit.factor, self.decimals, unit)

    @property
    def doubt(self) -> str:
        """Why the criterion is not resolved, and what would resolve it; empty where resolved."""
        if self.state != "not resolved":
            return ""
        if self.interval is None:
            advice = f"; about {self.units_to_resolve} arms give one" if self.units_to_resolve else ""
            return f"too few arms for an interval{advice}"
        inside = "the limit lies in the 95 % interval"
        arms = self.units_to_resolve
        if not arms:
            return inside
        count = f"about {arms}" if arms <= MOST_STATED else "more than a million"
        return f"{inside}; {count} arms would resolve it"

    @property
    def reason(self) -> str:
        """Why the criterion is not met or not resolved; empty where met or nothing is required."""
        if self.state in ("met", "none stated"):
            return ""
        blame = f" ({self.cause})" if self.cause else ""
        text = self.finding if self.quantity == "count" else f"{self.finding}, {self.limit_phrase}"
        return f"{text}{blame}" if self.state == "not met" else f"not resolved: {text}{blame}; {self.doubt}"


def share_digits(rows: Sequence[Sequence[Judgement]]) -> list[tuple[Judgement, ...]]:
    """Judgements with one unit and number of decimals per criterion, for one column.

    Parameters
    ----------
    rows : sequence of sequence of Judgement
        Judgements of every task.
    """
    columns: dict[str, list[Judgement]] = {}
    for row in rows:
        for judgement in row:
            columns.setdefault(judgement.criterion, []).append(judgement)
    texts: dict[str, tuple[str, int]] = {}
    for name, column in columns.items():
        values = [judgement.value for judgement in column]
        kind = KINDS.get(column[0].quantity)
        limits = [judgement.limit for judgement in column if judgement.limit is not None]
        # in the unit of the limit, if the numbers are readable in it
        in_unit_of_limit = bool(limits) and all(
            LEAST_UTILISATION < judgement.utilisation < MOST_UTILISATION for judgement in column
        )
        unit = column[0].display_unit if kind is None else unit_for(limits if in_unit_of_limit else values, kind)
        decimals = decimals_of(values, [judgement.interval for judgement in column], unit.factor)
        texts[name] = unit.name, max(decimals, 1) if column[0].quantity == "share" else decimals  # 99.9 % is not 100 %

    def with_shared_unit(judgement: Judgement) -> Judgement:
        unit, decimals = texts[judgement.criterion]
        return replace(judgement, unit=unit, decimals=decimals)

    return [tuple(with_shared_unit(judgement) for judgement in row) for row in rows]


def deciding_judgement(judgements: Sequence[Judgement]) -> Judgement:
    """The judgement that decides: of the worst state, and of several the one closest to its limit.

    Where everything is met, or nothing is required, the criterion that comes first: the error of the tool point.
    """
    nothing_fails = overall_verdict(judgements) in ("met", "none stated")

    def rank(judgement: Judgement) -> tuple[int, bool, float, float]:
        comes_first = nothing_fails and judgement.criterion == judgements[0].criterion
        return (
            (0 if nothing_fails else FROM_BEST_TO_WORST.index(judgement.state)),
            comes_first,
            judgement.utilisation,
            judgement.value,
        )

    return max(judgements, key=rank)


def overall_verdict(judgements: Iterable[Judgement]) -> Verdict:
    """Worst state of several judgements; ``none stated`` where nothing is required."""
    return worst_of(judgement.state for judgement in judgements)


def failed_criteria(judgements: Iterable[Judgement]) -> tuple[str, ...]:
    """Names of the criteria that the estimates fail."""
    return tuple(judgement.criterion for judgement in judgements if not judgement.holds)


def reasons(judgements: Sequence[Judgement]) -> tuple[str, ...]:
    """Sentences on criteria that are not met, then on those that are not resolved."""
    ordered = sorted(judgements, key=lambda judgement: judgement.state != "not met")
    return tuple(judgement.reason for judgement in ordered if judgement.reason)
