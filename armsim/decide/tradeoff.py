"""Price against error: every design for which, by first order, nothing cheaper errs less.

Found by the program of `program` in turn: the smallest error for a price, then the smallest price for less error. Both
are solved to proven optimality, so that to first order, with the ratios that sampled designs have told, no point is
missing but those that differ from a cheaper one by less than `STEP`. Each is then sampled at the poses that decide.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from armsim.decide import records
from armsim.decide.allocate import required
from armsim.decide.program import Choice
from armsim.decide.records import Point
from armsim.decide.search import Search
from armsim.engine.layout import MEMORY
from armsim.engine.run import Progress
from armsim.model.options import Options
from armsim.results.plain import plain
from armsim.study import Study

STEP = 0.01
"""Share by which the mean square error must fall from one point to the next: half of that in the quantile."""
MOST_POINTS = 200


@dataclass(frozen=True, eq=False)
class TradeOff:
    """The curve.

    ``current`` is the quantile of the scenario's own design [m], ``current_price`` what its sensors cost as far as that
    is stated; ``position`` the requirement [m].
    """

    scenario: str
    points: tuple[Point, ...]
    current: float
    current_price: float
    position: float

    @property
    def beaten(self) -> tuple[bool, ...]:
        """Points that err no less, as sampled, than a cheaper one: the curve is one of first order."""
        least, out = np.inf, []
        for point in self.points:
            out.append(point.sampled >= least)
            least = min(least, point.sampled)
        return tuple(out)

    def to_dict(self) -> dict[str, Any]:
        """For JSON, as `records.TradeOffRecord`; SI units."""
        return plain(
            records.TradeOffRecord(self.scenario, self.points, self.current, self.current_price, self.position)
        )


def trade_off(
    study: Study,
    options: Options,
    workers: int | None = None,
    progress: Progress = lambda what, done, total: None,
    memory: int = MEMORY,
    note: Callable[[str], None] = lambda text: None,
) -> TradeOff:
    """The curve of a scenario and its options. Every point tells which parts of the requirement it does not keep.

    Raises
    ------
    InputError
        There is no requirement, which sets the coverage.
    RunError
        As `Study.run`.
    """
    whole = required(study)
    only = replace(whole, repeatability=None, yield_=None)  # the curve is one of the error
    search = Search(study.with_scenario(requirement=only), options, workers, progress, memory)
    program = search.taught()
    position = search.requirement.position
    cheapest = program.cheapest(factor=1e9)
    points: list[Point] = []
    while cheapest is not None and len(points) < MOST_POINTS:
        price = program.price(cheapest)
        choice, load = program.closest(below=price + 1e-6 * max(1.0, price)) or (cheapest, np.inf)
        predicted = position * float(np.sqrt(load))
        design = search.study.with_scenario(machine=search.machine(choice), requirement=whole)
        sampled, _ = design.judge(search.few(program, choice), workers, memory=memory)
        worst = max(sampled, key=lambda task: task.summary.at_coverage).summary
        points.append(
            Point(
                program.price(choice),
                predicted,
                worst.at_coverage,
                worst.worst_pose,
                search.design(choice),
                _spending(search, choice),
                tuple(dict.fromkeys(part for task in sampled for part in task.summary.failed)),
            )
        )
        note(f"{points[-1].price:g} cost units: {predicted * 1e6:.4g} um by first order")
        cheapest = program.cheapest(factor=load * (1 - STEP))
    own = search.study.judge(search.found, workers, memory=memory)[0]
    current = max(task.summary.at_coverage for task in own)
    return TradeOff(study.scenario.name, tuple(points), current, study.scenario.machine.price, position)


def _spending(search: Search, choice: Choice) -> dict[str, float]:
    arm = search.study.scenario.machine.arm
    out: dict[str, float] = {}
    for part in search.design(choice):
        group = arm.group_of(part.joint)
        out[group] = out.get(group, 0.0) + part.price
    return out
