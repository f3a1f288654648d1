"""The choice of one option a joint as a mixed-integer program, solved to proven optimality.

    minimise    sum of prices
    subject to  one option a joint; mass, stock, number of encoder types
                at every pose, to first order,  E|dp|^2 <= limit   and   its visit part <= limit

E|dp|^2 is linear in the choice but for the means, which add as vectors: the products of two joints' means are exact,
each by a variable between 0 and 1 that is the product of the two choices (McCormick: the product of binaries is linear
in it). Options of one joint with the same mean share it, and most have no mean. Poses enter as they are violated.

References
----------
.. [1] McCormick, Math. Programming 10 (1976) 147. HiGHS: Huangfu, Hall, Math. Prog. Comp. 10 (2018) 119.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, lil_array, vstack

from armsim.decide.moments import Moments
from armsim.errors import RunError
from armsim.model.options import Options
from armsim.spreads import Array

Choice = tuple[int, ...]
"""Number of the option of every joint."""
TINY = 1e-9
BATCH = 12
"""Violated poses that join the program at a time."""
ALIKE = 1e-3
"""Share of a limit by which two options are held to be alike."""


@dataclass(eq=False)
class Program:
    """The program for given limits; poses join it as they are violated.

    Parameters
    ----------
    options : Options
    parts : list of list of Moments
        Of every option of every joint.
    fixed : Moments
        Of what is not chosen.
    limit, visit_limit : (poses,) [m^2]
        Of the mean square error, and of its visit part; inf where none.
    refused : list, one entry a choice that is known not to do, of lists of options, one a joint
        No choice may take all its options from them.
    """

    options: Options
    parts: list[list[Moments]]
    fixed: Moments
    limit: Array
    visit_limit: Array
    refused: list[list[list[int]]] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.sizes = [len(own) for own in self.parts]
        self.starts = np.concatenate([[0], np.cumsum(self.sizes)])
        self.n = int(self.starts[-1])
        self.prices = np.array([option.price for own in self.options.joints for option in own])
        mean0 = self.fixed.mean
        every = [part for own in self.parts for part in own]
        self.linear = np.stack(
            [part.scatter + np.sum(part.mean**2 + 2 * part.mean * mean0, axis=1) for part in every], axis=1
        )
        self.visits = np.stack([part.visits for part in every], axis=1)
        self._find_means()
        if not self.rows:
            self.rows = [int(np.argmax((self.linear.max(axis=1)) / self.limit))]

    def _find_means(self) -> None:
        """Groups of options of a joint that share a mean, and the pairs of groups of different joints."""
        scale = max((float(np.abs(part.mean).max()) for own in self.parts for part in own), default=0.0)
        groups: list[list[tuple[Array, list[int]]]] = []
        for joint, own in enumerate(self.parts):
            known: dict[bytes, tuple[Array, list[int]]] = {}
            for number, part in enumerate(own):
                if np.abs(part.mean).max() > 1e-9 * scale:
                    key = np.round(part.mean / scale, 9).tobytes()
                    known.setdefault(key, (part.mean, []))[1].append(int(self.starts[joint]) + number)
            groups.append(list(known.values()))
        self.pairs = [(a, b) for j in range(len(groups)) for k in range(j) for a in groups[k] for b in groups[j]]
        self.products = (
            np.stack([2 * np.sum(a[0] * b[0], axis=1) for a, b in self.pairs], axis=1) if self.pairs else None
        )

    def square(self, choice: Choice) -> Array:
        """Mean square error of a choice at every pose by first order, shape (poses,). [m^2]"""
        total = self.fixed
        for own, number in zip(self.parts, choice, strict=True):
            total = total + own[number]
        return total.square

    def visit_square(self, choice: Choice) -> Array:
        """Its visit part, shape (poses,). [m^2]"""
        chosen = sum((own[n].visits for own, n in zip(self.parts, choice, strict=True)), np.zeros(len(self.limit)))
        return np.asarray(self.fixed.visits + chosen)

    def price(self, choice: Choice) -> float:
        """Of a choice. [cost units]"""
        return float(sum(own[n].price for own, n in zip(self.options.joints, choice, strict=True)))

    def loads(self, choice: Choice) -> Array:
        """Mean square error over its limit, and where visits are limited theirs, shape (1 or 2, poses)."""
        rows = [self.square(choice) / self.limit]
        if np.isfinite(self.visit_limit).any():
            rows.append(self.visit_square(choice) / self.visit_limit)
        return np.stack(rows)

    def load(self, choice: Choice) -> Array:
        """The larger of `loads`, shape (poses,)."""
        return np.asarray(self.loads(choice).max(axis=0))

    def refuse(self, choice: Choice, alike: float = ALIKE) -> None:
        """Take a choice out, and with it every one that is no better at any joint and pose.

        What differs by less than the share ``alike`` of the limit counts as no better; means, by `ALIKE`.
        """
        worse = []
        for own, n in zip(self.parts, choice, strict=True):
            chosen = own[n]
            kept = []
            for number, part in enumerate(own):
                mean = np.abs(part.mean - chosen.mean).max() <= ALIKE * np.sqrt(self.limit.min())
                scatter = np.all(part.scatter >= chosen.scatter - alike * self.limit)
                visits = np.all(part.visits >= chosen.visits - alike * np.minimum(self.visit_limit, self.limit))
                if mean and scatter and visits:
                    kept.append(number)
            worse.append(kept)
        self.refused.append(worse)

    def cheapest(self, below: float = np.inf, factor: float = 1.0) -> Choice | None:
        """The cheapest choice within ``factor`` times the limits and not above a price; None if there is none."""
        while True:
            found = self._solve(self.prices, below, factor)
            if found is None:
                return None
            if not self._join(found, factor):
                return found

    def closest(self, below: float = np.inf) -> tuple[Choice, float] | None:
        """The choice that comes closest to the limits, or stays farthest within, and its largest load."""
        while True:
            found = self._solve(None, below, 1.0)
            if found is None:
                return None
            worst = float(self.load(found).max())
            if not self._join(found, self._reached * (1 + 1e-7)):
                return found, worst

    def _join(self, choice: Choice, factor: float) -> bool:
        """Take the poses that a choice violates most into the program; whether there were any."""
        load = self.load(choice)
        violated = [int(n) for n in np.argsort(-load)[:BATCH] if load[n] > factor * (1 + 1e-6) and n not in self.rows]
        self.rows += violated
        return bool(violated)

    def _solve(self, cost: Array | None, below: float, factor: float) -> Choice | None:
        """Solve with the poses taken in so far; without a cost the load itself is minimised."""
        pairs, types = len(self.pairs), sorted({option.encoder for own in self.options.joints for option in own})
        limited = self.options.types is not None
        free = cost is None
        width = self.n + pairs + (len(types) if limited else 0) + (1 if free else 0)
        objective = np.zeros(width)
        if free:
            objective[-1] = 1.0
        else:
            objective[: self.n] = cost
        blocks, low, high = self._structure(width, types if limited else [], below)
        rows = np.array(self.rows)
        for table, limit, fixed in (
            (self.linear, self.limit, self.fixed.square),
            (self.visits, self.visit_limit, self.fixed.visits),
        ):
            kept = rows[np.isfinite(limit[rows])]
            if not len(kept):
                continue
            block = np.zeros((len(kept), width))
            block[:, : self.n] = table[kept] / limit[kept, None]
            if table is self.linear and self.products is not None:
                block[:, self.n : self.n + pairs] = self.products[kept] / limit[kept, None]
            own = fixed[kept] / limit[kept]
            if free:
                block[:, -1] = -1.0
            blocks.append(csr_array(block))
            low += [-np.inf] * len(kept)
            high += ((0.0 if free else factor) - own).tolist()
        integer = np.zeros(width)
        integer[: self.n] = 1
        upper = np.ones(width)
        if free:
            upper[-1] = np.inf
        done = milp(
            objective,
            constraints=LinearConstraint(vstack(blocks), low, high),
            integrality=integer,
            bounds=Bounds(0, upper),
            options={"mip_rel_gap": 0.0},
        )
        if done.status == 2:
            return None
        if done.x is None or done.status not in (0,):
            raise RunError(f"the choice could not be solved: {done.message}")
        self._reached = float(done.fun) if free else factor
        picked = done.x[: self.n]
        return tuple(int(np.argmax(picked[self.starts[j] : self.starts[j + 1]])) for j in range(len(self.sizes)))

    def _structure(
        self, width: int, types: Sequence[str], below: float
    ) -> tuple[list[csr_array], list[float], list[float]]:
        """Everything but the poses: one option a joint, mass, stock, types, price, products, choices refused."""
        rows: list[dict[int, float]] = []
        low: list[float] = []
        high: list[float] = []

        def row(entries: dict[int, float], least: float, most: float) -> None:
            rows.append(entries)
            low.append(least)
            high.append(most)

        options = [option for own in self.options.joints for option in own]
        for j, size in enumerate(self.sizes):
            row({int(self.starts[j]) + o: 1.0 for o in range(size)}, 1, 1)
        if self.options.mass is not None:
            row({i: option.mass for i, option in enumerate(options)}, -np.inf, self.options.mass + TINY)
        for name, pieces in self.options.stock.items():
            row({i: 1.0 for i, option in enumerate(options) if option.encoder == name}, -np.inf, pieces)
        if types:
            first = self.n + len(self.pairs)
            for j, own in enumerate(self.options.joints):
                for t, name in enumerate(types):
                    here = [int(self.starts[j]) + o for o, option in enumerate(own) if option.encoder == name]
                    if here:  # at most one of them is taken, so one row for all: tighter than one a piece
                        row({first + t: -1.0, **dict.fromkeys(here, 1.0)}, -np.inf, 0)
            row({first + t: 1.0 for t in range(len(types))}, -np.inf, self.options.types or np.inf)
        if np.isfinite(below):
            row(dict(enumerate(self.prices.tolist())), -np.inf, below)
        for number, (a, b) in enumerate(self.pairs):
            w = self.n + number
            row({w: 1.0, **dict.fromkeys(a[1], -1.0)}, -np.inf, 0)
            row({w: 1.0, **dict.fromkeys(b[1], -1.0)}, -np.inf, 0)
            row({w: -1.0, **dict.fromkeys(a[1], 1.0), **dict.fromkeys(b[1], 1.0)}, -np.inf, 1)
        for worse in self.refused:
            row({int(self.starts[j]) + o: 1.0 for j, own in enumerate(worse) for o in own}, -np.inf, len(worse) - 1)
        matrix = lil_array((len(rows), width))
        for number, entries in enumerate(rows):
            for column, value in entries.items():
                matrix[number, column] = value
        return [csr_array(matrix)], low, high
