"""The choice of one option a joint as a mixed-integer program, solved to proven optimality.

    minimise    sum of prices
    subject to  one option a joint; mass, stock, number of encoder types
                at every pose, to first order,  E|dp|^2 <= limit   and   its visit part <= limit

E|dp|^2 is linear in the choice but for |V|^2, with V the sum of the vectors of all parts (means, shared causes). V is
linear in the choice and |V|^2 convex, so that at any V0

    |V|^2 >= 2 V0 . V - |V0|^2

is a valid cut, exact at V0. Poses and cuts enter as they are violated; the last choice violates none.

References
----------
.. [1] Kelley, J. SIAM 8 (1960) 703: cutting planes of a convex program; Duran, Grossmann, Math. Programming 36 (1986)
   307 with integers. HiGHS: Huangfu, Hall, Math. Prog. Comp. 10 (2018) 119.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, lil_array, vstack

from armsim.arrays import Array
from armsim.decide.option_moments import Moments
from armsim.errors import RunError
from armsim.model.joint_options import Options

Choice = tuple[int, ...]
"""Number of the option of every joint."""
TINY = 1e-9
BATCH = 12
"""Violated poses that join the program at a time."""
ALIKE = 1e-3
"""Share of a limit by which two options are held to be alike."""


@dataclass(frozen=True, eq=False)
class Cut:
    """A pose of the program, with the sum of vectors at which its convex part is cut. [m]"""

    pose: int
    at: Array


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
    refused : list of choices
        That are known not to do.
    dominated : list, one entry a choice that failed, of lists of options, one a joint
        Choices that take all their options from them are taken to fail too; `closest` looks at them all the same.
    balls : list of (weights of all options, least sum)
        Choices whose options have a smaller sum are known not to do.
    """

    options: Options
    parts: list[list[Moments]]
    fixed: Moments
    limit: Array
    visit_limit: Array
    refused: list[Choice] = field(default_factory=list)
    dominated: list[list[list[int]]] = field(default_factory=list)
    balls: list[tuple[Array, float]] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    visit_rows: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.sizes = [len(row) for row in self.parts]
        self.starts = np.concatenate([[0], np.cumsum(self.sizes)])
        self.n = int(self.starts[-1])
        self.prices = np.array([option.price for row in self.options.joints for option in row])
        every = [part for row in self.parts for part in row]
        self.scatter = np.stack([part.scatter for part in every], axis=1)
        self.vectors = np.stack([part.vectors for part in every], axis=2)  # (poses, numbers, options)
        self.visits = np.stack([part.visits for part in every], axis=1)
        if not self.cuts:
            worst = int(np.argmax(self.scatter.max(axis=1) / self.limit))
            self.cuts = [Cut(worst, self.fixed.vectors[worst])]

    def vector(self, choice: Choice) -> Array:
        """Sum of the vectors of a choice and of what is fixed, shape (poses, numbers). [m]"""
        return np.asarray(self.fixed.vectors + sum(row[n].vectors for row, n in zip(self.parts, choice, strict=True)))

    def square(self, choice: Choice) -> Array:
        """Mean square error of a choice at every pose by first order, shape (poses,). [m^2]"""
        scatter = self.fixed.scatter + sum(row[n].scatter for row, n in zip(self.parts, choice, strict=True))
        return np.asarray(scatter + np.sum(self.vector(choice) ** 2, axis=1))

    def visit_square(self, choice: Choice) -> Array:
        """Its visit part, shape (poses,). [m^2]"""
        return np.asarray(self.fixed.visits + sum(row[n].visits for row, n in zip(self.parts, choice, strict=True)))

    def price(self, choice: Choice) -> float:
        """Of a choice. [cost units]"""
        return float(sum(row[n].price for row, n in zip(self.options.joints, choice, strict=True)))

    def loads(self, choice: Choice) -> Array:
        """Mean square error over its limit, and where visits are limited theirs, shape (1 or 2, poses)."""
        rows = [self.square(choice) / self.limit]
        if np.isfinite(self.visit_limit).any():
            rows.append(self.visit_square(choice) / self.visit_limit)
        return np.stack(rows)

    def load(self, choice: Choice) -> Array:
        """The larger of `loads`, shape (poses,)."""
        return np.asarray(self.loads(choice).max(axis=0))

    def refuse_dominated(self, choice: Choice, alike: float = ALIKE) -> None:
        """Exclude all choices that are no better than a failed one at any joint and pose.

        What differs by less than the share ``alike`` of the limit counts as no better; vectors, by `ALIKE`.

        Parameters
        ----------
        choice : Choice
        alike : float
            Share of the limit by which a joint may be better.
        """
        worse = []
        for row, n in zip(self.parts, choice, strict=True):
            chosen = row[n]
            no_better = []
            for number, part in enumerate(row):
                vectors = np.abs(part.vectors - chosen.vectors).max() <= ALIKE * np.sqrt(self.limit.min())
                if vectors and np.all(part.scatter >= chosen.scatter - alike * self.limit):
                    no_better.append(number)
            worse.append(no_better)
        self.dominated.append(worse)

    def refuse(self, choice: Choice) -> None:
        """Take a choice out, and no other."""
        self.refused.append(choice)

    def refuse_near(self, choice: Choice, pose: int, radius: float) -> None:
        """Exclude all choices whose visits at a pose are within a distance of those of a choice.

        The mean square distance is a sum over joints, so that this is one linear row.

        Parameters
        ----------
        choice : Choice
        pose : int
        radius : float [m]
        """
        weights = [
            float(part.visit_distance(row[n])[pose]) for row, n in zip(self.parts, choice, strict=True) for part in row
        ]
        # an option as far away as the radius is far enough by itself
        self.balls.append((np.minimum(np.array(weights) / radius**2, 1.0), 1.0))
        self.refuse(choice)

    def cheapest(self, below: float = np.inf, factor: float = 1.0) -> Choice | None:
        """Cheapest choice within ``factor`` times the limits and below a price; None if there is none.

        Parameters
        ----------
        below : float
            Largest price.
        factor : float

        Returns
        -------
        Choice or None
        """
        while True:
            choice = self._solve(self.prices, below, factor)
            if choice is None or not self._join(choice, factor):
                return choice

    def closest(self, below: float = np.inf, least: float = -np.inf) -> tuple[Choice, float] | None:
        """Choice with the smallest largest load, and that load; None if there is none.

        Of those that cost no more than ``below`` and no less than ``least``.

        Parameters
        ----------
        below, least : float
            Largest and least price.

        Returns
        -------
        (Choice, float) or None
        """
        while True:
            choice = self._solve(None, below, 1.0, least)
            if choice is None:
                return None
            worst = float(self.load(choice).max())
            if not self._join(choice, self._reached * (1 + 1e-7)):
                return choice, worst

    def _join(self, choice: Choice, factor: float) -> bool:
        """Take the poses that a choice violates most into the program; whether there were any."""
        loads, vector = self.loads(choice), self.vector(choice)
        joined = False
        for row, load in enumerate(loads):
            violated = [int(n) for n in np.argsort(-load)[:BATCH] if load[n] > factor * (1 + 1e-6)]
            for pose in violated:
                if row == 1 and pose not in self.visit_rows:
                    self.visit_rows.append(pose)
                    joined = True
                cuts = (cut for cut in self.cuts if cut.pose == pose)
                if row == 0 and not any(np.array_equal(cut.at, vector[pose]) for cut in cuts):
                    self.cuts.append(Cut(pose, vector[pose]))
                    joined = True
        return joined

    def _limits(self) -> tuple[Array, Array]:
        """Rows of the poses taken in so far, shape (rows, options), and what is fixed, both over the limits."""
        poses = np.array([cut.pose for cut in self.cuts], dtype=int)
        at = np.array([cut.at for cut in self.cuts])
        rows = self.scatter[poses] + 2.0 * np.einsum("rv,rvo->ro", at, self.vectors[poses])
        constant = self.fixed.scatter[poses] + np.sum(at * (2.0 * self.fixed.vectors[poses] - at), axis=1)
        limit = self.limit[poses]
        limited = np.array([n for n in self.visit_rows if np.isfinite(self.visit_limit[n])], dtype=int)
        of_visits = self.visit_limit[limited]
        return (
            np.concatenate([rows / limit[:, None], self.visits[limited] / of_visits[:, None]]),
            np.concatenate([constant / limit, self.fixed.visits[limited] / of_visits]),
        )

    def _solve(self, cost: Array | None, below: float, factor: float, least: float = -np.inf) -> Choice | None:
        """Solve with the poses taken in so far; without a cost the load itself is minimised."""
        types = sorted({option.encoder for row in self.options.joints for option in row})
        free = cost is None
        width = self.n + len(types) * len(self.options.type_limits) + (1 if free else 0)
        objective = np.zeros(width)
        if free:
            objective[-1] = 1.0
        else:
            objective[: self.n] = cost
        blocks, low, high = self._structure(width, types, (least, below), dominated=not free)
        rows, constant = self._limits()
        # far below its limit a load would be lost in the tolerances of the solver: that of some choice is its unit
        scale = 1.0 / (float(self.load(self._light()).max()) or 1.0) if free else 1.0
        rows, constant = rows * scale, constant * scale
        block = np.zeros((len(rows), width))
        block[:, : self.n] = rows
        if free:
            block[:, -1] = -1.0
        blocks.append(csr_array(block))
        low += [-np.inf] * len(rows)
        high += ((0.0 if free else factor) - constant).tolist()
        integer = np.zeros(width)
        integer[: self.n] = 1
        upper = np.ones(width)
        if free:
            upper[-1] = np.inf
        solution = milp(
            objective,
            constraints=LinearConstraint(vstack(blocks), low, high),
            integrality=integer,
            bounds=Bounds(0, upper),
            options={"mip_rel_gap": 0.0},
        )
        if solution.status == 2:
            return None
        if solution.x is None or solution.status not in (0,):
            raise RunError(f"the choice could not be solved: {solution.message}")
        self._reached = float(solution.fun) / scale if free else factor
        picked = solution.x[: self.n]
        return tuple(int(np.argmax(picked[self.starts[j] : self.starts[j + 1]])) for j in range(len(self.sizes)))

    def _of(self, joint: int, encoder: str) -> list[int]:
        """Columns of the options of a joint that have an encoder."""
        first = int(self.starts[joint])
        return [first + o for o, option in enumerate(self.options.joints[joint]) if option.encoder == encoder]

    def _light(self) -> Choice:
        """The option of least scatter, over the limits, at every joint."""
        return tuple(int(np.argmin([np.max(part.scatter / self.limit) for part in row])) for row in self.parts)

    def _structure(
        self, width: int, types: Sequence[str], prices: tuple[float, float], dominated: bool
    ) -> tuple[list[csr_array], list[float], list[float]]:
        """Everything but the poses: one option a joint, limits, price, choices refused."""
        rows: list[dict[int, float]] = []
        low: list[float] = []
        high: list[float] = []

        def row(entries: dict[int, float], least: float, most: float) -> None:
            rows.append(entries)
            low.append(least)
            high.append(most)

        options = [option for joint in self.options.joints for option in joint]
        for j, size in enumerate(self.sizes):
            row({int(self.starts[j]) + o: 1.0 for o in range(size)}, 1, 1)
        if self.options.mass is not None:
            row({i: option.mass for i, option in enumerate(options)}, -np.inf, self.options.mass + TINY)
        for name, pieces in self.options.stock.items():
            row({i: 1.0 for i, option in enumerate(options) if option.encoder == name}, -np.inf, pieces)
        at = {(j, name): self._of(j, name) for j in range(len(self.sizes)) for name in types}
        for number, (joints, most) in enumerate(self.options.type_limits):
            first = self.n + number * len(types)
            for j in joints:
                for t, name in enumerate(types):
                    if at[j, name]:  # at most one of them is taken, so one row for all: tighter than one a piece
                        row({first + t: -1.0, **dict.fromkeys(at[j, name], 1.0)}, -np.inf, 0)
            row({first + t: 1.0 for t in range(len(types))}, -np.inf, most)
        for joints in self.options.together:
            for j, k in pairwise(joints):
                for name in types:
                    row({**dict.fromkeys(at[j, name], 1.0), **dict.fromkeys(at[k, name], -1.0)}, 0, 0)
        for pair in self.options.apart:
            places = [range(len(self.sizes)) if j is None else (j,) for j, _ in pair]
            for j, k in product(*places):
                both = at.get((j, pair[0][1]), []) + at.get((k, pair[1][1]), [])
                if j != k:
                    row(dict.fromkeys(both, 1.0), -np.inf, 1)
        if np.isfinite(prices).any():
            row(dict(enumerate(self.prices.tolist())), *prices)
        excluded = [[[n] for n in choice] for choice in self.refused] + (self.dominated if dominated else [])
        for worse in excluded:
            row(
                {int(self.starts[j]) + o: 1.0 for j, columns in enumerate(worse) for o in columns},
                -np.inf,
                len(worse) - 1,
            )
        for weights, least in self.balls:
            row({i: float(w) for i, w in enumerate(weights) if w}, least * (1 - TINY), np.inf)
        matrix = lil_array((len(rows), width))
        for number, entries in enumerate(rows):
            for column, value in entries.items():
                matrix[number, column] = value
        return [csr_array(matrix)], low, high
