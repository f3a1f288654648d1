"""Price against error: Pareto-optimal designs by first order, and the cheapest that meets the requirement.

The curve is solved to proven optimality (`frontier`), so that to first order, with the ratios that sampled designs have
told, no point is missing but those that differ from a cheaper one by less than `frontier.STEP`. Each is then sampled at
the poses that decide; one that is cheaper than the answer of `select` at all, where it keeps everything there. That
answer is one of the points.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from armsim.assessment import AssessedTask, state_of_all
from armsim.criteria import LEADING
from armsim.decide.decision_records import CurvePoint
from armsim.decide.frontier import cent, frontier
from armsim.decide.ledger import met
from armsim.decide.program import Choice, Program
from armsim.decide.search import LEARNING_UNITS, Search
from armsim.decide.select import choose
from armsim.model.joint_options import Exclusion, Options
from armsim.requirement import Verdict
from armsim.requirement.requirement import Requirement
from armsim.results.json_records import NotInRecord, plain
from armsim.run_options import Note, RunOptions
from armsim.study import Study


@dataclass(frozen=True, eq=False)
class TradeOff:
    """Result of `armsim trade-off`: curve of price against error.

    The error is that of the leading criterion, the tool point; points that fail another one say so.

    Parameters
    ----------
    scenario : str
    points : tuple of CurvePoint
    current, current_price : float
        Quantile of the scenario's own design [m], and what its sensors cost as far as that is stated.
    position : float [m]
        Limit of the scenario on the error.
    coverage : float
        Share of the errors that must keep it.
    cheapest : float, optional
        Price of the cheapest design that meets all that is required; None where none does.
    state : Verdict
        Whether that is resolved.
    limits : mapping of task to limit [m]
        Limit on the error at every task.
    requirement : Requirement
    exclusions : tuple of Exclusion
        Encoders of the catalogue that cannot be fitted, by joint and placement.
    """

    scenario: str
    points: tuple[CurvePoint, ...]
    current: float
    current_price: float
    position: float
    coverage: float
    cheapest: float | None
    state: NotInRecord[Verdict]
    limits: dict[str, float]
    requirement: NotInRecord[Requirement]
    exclusions: tuple[Exclusion, ...] = ()
    format: Literal["armsim-trade-off/1"] = "armsim-trade-off/1"

    @property
    def beaten(self) -> tuple[bool, ...]:
        """Points whose sampled error is no smaller than that of a cheaper point; the curve itself is of first order."""
        least, out = np.inf, []
        for point in self.points:
            out.append(point.sampled >= least)
            least = min(least, point.sampled)
        return tuple(out)

    def to_dict(self) -> dict[str, Any]:
        """Dictionary for JSON, in SI units."""
        return plain(self)


def trade_off(
    study: Study,
    options: Options,
    run_options: RunOptions = RunOptions(),
) -> TradeOff:
    """Trade-off curve of price and error over the options of a scenario, each point with its unmet criteria.

    Parameters
    ----------
    study : Study
    options : Options
    run_options : RunOptions

    Returns
    -------
    TradeOff

    Raises
    ------
    InputError
        There is no requirement, which sets the coverage.
    RunError
        As `Study.run`.
    """
    search = Search(study, options, run_options)
    selection, record = choose(search)
    return along(search, record.best, selection.state, run_options.note)


def along(search: Search, answer: Choice | None, state: Verdict, note: Note) -> TradeOff:
    """Trade-off curve along a search, with its answer and state.

    Parameters
    ----------
    search : Search
    answer : Choice, optional
        Cheapest choice that meets the requirement.
    state : Verdict
    note : callable

    Returns
    -------
    TradeOff
    """
    by_leading_criterion = search.by_leading_criterion
    program = by_leading_criterion.program()
    choices = [choice for choice, _ in frontier(program)]
    price = np.inf if answer is None else program.price(answer)
    if answer is not None:
        choices = [choice for choice in choices if abs(program.price(choice) - price) > cent(price)]
        choices = sorted([*choices, answer], key=program.price)
    points = []
    for choice in choices:
        points.append(_point(by_leading_criterion, program, choice, price, by_leading_criterion is not search))
        note(f"{points[-1].price:g} cost units: {points[-1].predicted * 1e6:.4g} um by first order")
    assessed = search.study.judge(search.poses, search.run_options.silent)[0]
    scenario, requirement = search.study.scenario, search.requirement
    position = LEADING.limit(requirement)
    assert position is not None  # every requirement states it
    return TradeOff(
        scenario.name,
        tuple(points),
        _decides(search, assessed).summary.at_coverage,
        scenario.machine.price,
        position,
        requirement.coverage,
        None if answer is None else price,
        state,
        search.leading_limits,
        requirement,
        search.options.exclusions,
    )


def _decides(search: Search, tasks: Sequence[AssessedTask]) -> AssessedTask:
    """Task whose error is largest over its limit."""
    return max(tasks, key=lambda task: task.summary.at_coverage / search.leading_limits[task.name])


def _point(search: Search, program: Program, choice: Choice, answer: float, others: bool) -> CurvePoint:
    """A design of the curve, sampled at the poses of the largest errors, and at all where these do not decide.

    Parameters
    ----------
    search : Search
    program : Program
    choice : Choice
    answer : float
        Price of the answer: a cheaper design is held to meet the requirement only where all its arms say so.
    others : bool
        Whether more is required than the poses of the largest errors tell; few arms at all poses decide where their
        intervals do.

    Returns
    -------
    CurvePoint
    """
    tasks = search.ledger.verdicts.get(choice)
    if tasks is None:
        tasks, _ = search.sample(choice, search.hard_poses(program, choice))
    of_errors, cheaper = tasks, program.price(choice) < answer
    if (others or cheaper) and met(tasks):
        tasks, _ = search.sample(choice, units=LEARNING_UNITS)
        state = state_of_all(tasks)
        if state == "not resolved" or (cheaper and state == "met"):
            of_errors = tasks = search.verdict(choice)
    worst = _decides(search, of_errors).summary
    return CurvePoint(
        program.price(choice),
        search.predicted(program, choice),
        worst.at_coverage,
        worst.worst_pose,
        search.design(choice),
        _spending(search, choice),
        tuple(dict.fromkeys(part for task in tasks for part in task.summary.failed)),
    )


def _spending(search: Search, choice: Choice) -> dict[str, float]:
    arm = search.study.scenario.machine.arm
    out: dict[str, float] = {}
    for part in search.design(choice):
        group = arm.group_of(part.joint)
        out[group] = out.get(group, 0.0) + part.price
    return out
