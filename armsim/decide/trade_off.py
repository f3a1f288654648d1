"""Price against error: Pareto-optimal designs by first order, and the cheapest that meets the requirement.

The curve is solved to proven optimality (`frontier`). To first order, with the ratios estimated from sampled designs,
it lacks only points that differ from a cheaper one by less than `frontier.STEP`. Each point is then sampled at the
poses with the largest errors; if it meets the requirement there and is cheaper than the answer of `select`, at all
poses. The answer of `select` is one of the points.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from armsim.assessment import AssessedTask, overall_verdict_of
from armsim.criteria import POSITION_CRITERION
from armsim.decide.decision_records import CurvePoint
from armsim.decide.frontier import frontier, price_tolerance
from armsim.decide.ledger import requirement_met
from armsim.decide.program import Choice, Program
from armsim.decide.search import LEARNING_UNITS, Search
from armsim.decide.select import run_search
from armsim.model.joint_options import Exclusion, Options
from armsim.requirement import Verdict
from armsim.requirement.requirement import Requirement
from armsim.results.json_records import NotInRecord, record_as_dict
from armsim.run_options import Note, RunOptions
from armsim.study import Study


@dataclass(frozen=True, eq=False)
class TradeOff:
    """Result of `armsim trade-off`: curve of price against error.

    The error is that of the leading criterion, the position of the tool point; each point lists the criteria it fails.

    Parameters
    ----------
    scenario : str
    points : tuple of CurvePoint
    current, current_price : float
        Quantile of the error of the scenario's own design [m], and the sum of the stated prices of its sensors.
    position : float [m]
        Limit of the scenario on the error.
    coverage : float
        Share of the errors that must be within it.
    cheapest : float, optional
        Price of the cheapest design that meets the requirement; None if there is none.
    state : Verdict
        State of the requirement for that design.
    limits : mapping of task to limit [m]
        Limit on the position error at every task.
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
    def dominated(self) -> tuple[bool, ...]:
        """Whether the sampled error of each point is no smaller than that of a cheaper point.

        This is possible because the curve itself is optimal to first order only.
        """
        least, out = np.inf, []
        for point in self.points:
            out.append(point.sampled >= least)
            least = min(least, point.sampled)
        return tuple(out)

    def to_dict(self) -> dict[str, Any]:
        """Dictionary for JSON, in SI units."""
        return record_as_dict(self)


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
    selection, state = run_search(search)
    return curve_of_search(search, state.best, selection.state, run_options.note)


def curve_of_search(search: Search, answer: Choice | None, state: Verdict, note: Note) -> TradeOff:
    """Trade-off curve from a search that has ended.

    Parameters
    ----------
    search : Search
    answer : Choice, optional
        Cheapest choice that meets the requirement.
    state : Verdict
        State of the requirement for that choice.
    note : callable
        Called with a line of text for every point.

    Returns
    -------
    TradeOff
    """
    by_leading_criterion = search.by_leading_criterion
    program = by_leading_criterion.program()
    choices = [choice for choice, _ in frontier(program)]
    price = np.inf if answer is None else program.price(answer)
    if answer is not None:
        choices = [choice for choice in choices if abs(program.price(choice) - price) > price_tolerance(price)]
        choices = sorted([*choices, answer], key=program.price)
    points = []
    for choice in choices:
        points.append(_point(by_leading_criterion, program, choice, price, by_leading_criterion is not search))
        note(f"{points[-1].price:g} cost units: {points[-1].predicted * 1e6:.4g} um by first order")
    assessed = search.study.judge(search.poses, search.run_options.silent)[0]
    scenario, requirement = search.study.scenario, search.requirement
    position = POSITION_CRITERION.limit(requirement)
    assert position is not None  # every requirement states it
    return TradeOff(
        scenario.name,
        tuple(points),
        _task_of_largest_error(search, assessed).summary.at_coverage,
        scenario.machine.price,
        position,
        requirement.coverage,
        None if answer is None else price,
        state,
        search.leading_limits,
        requirement,
        search.options.exclusions,
    )


def _task_of_largest_error(search: Search, tasks: Sequence[AssessedTask]) -> AssessedTask:
    """Task whose error is largest over its limit."""
    return max(tasks, key=lambda task: task.summary.at_coverage / search.leading_limits[task.name])


def _point(search: Search, program: Program, choice: Choice, answer: float, more_required: bool) -> CurvePoint:
    """A design of the curve, sampled at the poses of the largest errors, and at all poses if these do not decide.

    Parameters
    ----------
    search : Search
    program : Program
    choice : Choice
    answer : float
        Price of the answer: a cheaper design counts as meeting the requirement only if sampled with all units.
    more_required : bool
        Whether criteria other than the leading one are required, which the poses of the largest errors do not decide;
        then a few units are sampled at all poses first.

    Returns
    -------
    CurvePoint
    """
    tasks = search.ledger.full_assessments.get(choice)
    if tasks is None:
        tasks, _ = search.sample(choice, search.hard_poses(program, choice))
    tasks_of_error, cheaper = tasks, program.price(choice) < answer
    if (more_required or cheaper) and requirement_met(tasks):
        tasks, _ = search.sample(choice, units=LEARNING_UNITS)
        state = overall_verdict_of(tasks)
        if state == "not resolved" or (cheaper and state == "met"):
            tasks_of_error = tasks = search.full_assessment(choice)
    worst = _task_of_largest_error(search, tasks_of_error).summary
    return CurvePoint(
        program.price(choice),
        search.predicted_error(program, choice),
        worst.at_coverage,
        worst.worst_pose,
        search.design(choice),
        _spending_by_group(search, choice),
        tuple(dict.fromkeys(part for task in tasks for part in task.summary.failed)),
    )


def _spending_by_group(search: Search, choice: Choice) -> dict[str, float]:
    arm = search.study.scenario.machine.arm
    out: dict[str, float] = {}
    for part in search.design(choice):
        group = arm.group_of(part.joint)
        out[group] = out.get(group, 0.0) + part.price
    return out
