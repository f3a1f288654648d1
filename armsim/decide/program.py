"""Choice of one option per joint as a mixed-integer program, solved to proven optimality.

    minimise    sum of prices
    subject to  one option per joint; mass, stock, number of encoder types
                at every pose, to first order,  E|dp|^2 <= limit   and   its visit part <= limit

E|dp|^2 is linear in the choice but for |V|^2, with V the sum of the shared vectors of all parts (means, shared causes).
V is linear in the choice and |V|^2 convex, so that at any V0

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
"""Tolerance of the solver on the limit of mass [kg] and on relative distances."""
BATCH = 12
"""Largest number of violated poses added to the program at a time."""
ALIKE = 1e-3
"""Options whose contributions differ by less than this share of the limit count as equal."""


@dataclass(frozen=True, eq=False)
class Cut:
    """Linear cut at a pose: ``at`` is the sum of shared vectors at which the convex part is linearised. [m]"""

    pose: int
    at: Array


@dataclass(eq=False)
class Program:
    """Program for given limits; poses are added as they are violated.

    Parameters
    ----------
    options : Options
    option_moments : list of list of Moments
        Moments of every option of every joint.
    fixed : Moments
        Moments of the parts that are not chosen.
    limit, visit_limit : (poses,) [m^2]
        Limit of the mean square error, and of its visit part; inf without a limit.
    refused : list of Choice
        Choices known to fail the limits.
    dominated : list of list of list of int
        Per failed choice and joint the options that are no better; choices made of these alone are taken to fail too,
        but `closest` considers them.
    excluded_neighbourhoods : list of (weights of all options, least sum)
        Choices whose weights sum to less are known to fail the limits.
    cuts : list of Cut
    visit_rows : list of int
        Poses added for their visit part.
    """

    options: Options
    option_moments: list[list[Moments]]
    fixed: Moments
    limit: Array
    visit_limit: Array
    refused: list[Choice] = field(default_factory=list)
    dominated: list[list[list[int]]] = field(default_factory=list)
    excluded_neighbourhoods: list[tuple[Array, float]] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    visit_rows: list[int] = field(default_factory=list)

    _reached: float = field(default=np.inf, init=False)
    """Largest share of the limit used by the last solution."""

    def __post_init__(self) -> None:
        self.sizes = [len(row) for row in self.option_moments]
        self.starts = np.concatenate([[0], np.cumsum(self.sizes)])
        self.n = int(self.starts[-1])
        self.prices = np.array([option.price for row in self.options.joints for option in row])
        every = [part for row in self.option_moments for part in row]
        self.independent_variance = np.stack([part.independent_variance for part in every], axis=1)
        self.shared_vectors = np.stack([part.shared_vectors for part in every], axis=2)  # (poses, numbers, options)
        self.visits = np.stack([part.visits for part in every], axis=1)
        if not self.cuts:
            worst = int(np.argmax(self.independent_variance.max(axis=1) / self.limit))
            self.cuts = [Cut(worst, self.fixed.shared_vectors[worst])]

    def vector(self, choice: Choice) -> Array:
        """Sum of the shared vectors of a choice and of the fixed parts, shape (poses, numbers). [m]"""
        return np.asarray(
            self.fixed.shared_vectors
            + sum(row[n].shared_vectors for row, n in zip(self.option_moments, choice, strict=True))
        )

    def square(self, choice: Choice) -> Array:
        """Mean square error of a choice per pose, first order, shape (poses,). [m^2]"""
        variance = self.fixed.independent_variance + sum(
            row[n].independent_variance for row, n in zip(self.option_moments, choice, strict=True)
        )
        return np.asarray(variance + np.sum(self.vector(choice) ** 2, axis=1))

    def visit_square(self, choice: Choice) -> Array:
        """Visit part of the mean square error of a choice, shape (poses,). [m^2]"""
        return np.asarray(
            self.fixed.visits + sum(row[n].visits for row, n in zip(self.option_moments, choice, strict=True))
        )

    def price(self, choice: Choice) -> float:
        """Price of a choice. [cost units]"""
        return float(sum(row[n].price for row, n in zip(self.options.joints, choice, strict=True)))

    def loads(self, choice: Choice) -> Array:
        """Share of limit used: mean square error over its limit, and with a limit of visits that of their part.

        Shape (1 or 2, poses).
        """
        rows = [self.square(choice) / self.limit]
        if np.isfinite(self.visit_limit).any():
            rows.append(self.visit_square(choice) / self.visit_limit)
        return np.stack(rows)

    def load(self, choice: Choice) -> Array:
        """Largest share of limit used per pose, of `loads`, shape (poses,)."""
        return np.asarray(self.loads(choice).max(axis=0))

    def refuse_dominated(self, choice: Choice, alike: float = ALIKE) -> None:
        """Exclude all choices that are no better than a failed one at any joint and pose.

        An independent variance that is smaller by less than the share ``alike`` of the limit counts as no better;
        shared vectors must agree within `ALIKE`.

        Parameters
        ----------
        choice : Choice
        alike : float
            Share of the limit.
        """
        worse = []
        for row, n in zip(self.option_moments, choice, strict=True):
            chosen = row[n]
            no_better = []
            for number, part in enumerate(row):
                same_vectors = np.abs(part.shared_vectors - chosen.shared_vectors).max() <= ALIKE * np.sqrt(
                    self.limit.min()
                )
                if same_vectors and np.all(
                    part.independent_variance >= chosen.independent_variance - alike * self.limit
                ):
                    no_better.append(number)
            worse.append(no_better)
        self.dominated.append(worse)

    def refuse(self, choice: Choice) -> None:
        """Exclude one choice."""
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
            float(part.visit_distance(row[n])[pose])
            for row, n in zip(self.option_moments, choice, strict=True)
            for part in row
        ]
        # an option at the distance of the radius suffices on its own
        self.excluded_neighbourhoods.append((np.minimum(np.array(weights) / radius**2, 1.0), 1.0))
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
            if choice is None or not self._add_violated(choice, factor):
                return choice

    def closest(self, below: float = np.inf, least: float = -np.inf) -> tuple[Choice, float] | None:
        """Choice whose largest share of limit used is smallest, and that share; None if there is no choice.

        Parameters
        ----------
        below, least : float
            Largest and smallest price.

        Returns
        -------
        (Choice, float) or None
        """
        while True:
            choice = self._solve(None, below, 1.0, least)
            if choice is None:
                return None
            worst = float(self.load(choice).max())
            if not self._add_violated(choice, self._reached * (1 + 1e-7)):
                return choice, worst

    def _add_violated(self, choice: Choice, factor: float) -> bool:
        """Add the poses at which a choice violates its limits most; returns whether there were any."""
        loads, vector = self.loads(choice), self.vector(choice)
        added = False
        for row, load in enumerate(loads):
            violated = [int(n) for n in np.argsort(-load)[:BATCH] if load[n] > factor * (1 + 1e-6)]
            for pose in violated:
                if row == 1 and pose not in self.visit_rows:
                    self.visit_rows.append(pose)
                    added = True
                cuts = (cut for cut in self.cuts if cut.pose == pose)
                if row == 0 and not any(np.array_equal(cut.at, vector[pose]) for cut in cuts):
                    self.cuts.append(Cut(pose, vector[pose]))
                    added = True
        return added

    def _limits(self) -> tuple[Array, Array]:
        """Rows of the added poses, shape (rows, options), and fixed contributions, shape (rows,), over the limits."""
        poses = np.array([cut.pose for cut in self.cuts], dtype=int)
        at = np.array([cut.at for cut in self.cuts])
        rows = self.independent_variance[poses] + 2.0 * np.einsum("rv,rvo->ro", at, self.shared_vectors[poses])
        constant = self.fixed.independent_variance[poses] + np.sum(
            at * (2.0 * self.fixed.shared_vectors[poses] - at), axis=1
        )
        limit = self.limit[poses]
        limited = np.array([n for n in self.visit_rows if np.isfinite(self.visit_limit[n])], dtype=int)
        limits_of_visits = self.visit_limit[limited]
        return (
            np.concatenate([rows / limit[:, None], self.visits[limited] / limits_of_visits[:, None]]),
            np.concatenate([constant / limit, self.fixed.visits[limited] / limits_of_visits]),
        )

    def _solve(self, cost: Array | None, below: float, factor: float, least: float = -np.inf) -> Choice | None:
        """Solve with the added poses; without a cost the largest share of limit used is minimised."""
        types = sorted({option.encoder for row in self.options.joints for option in row})
        minimise_load = cost is None
        width = self.n + len(types) * len(self.options.type_limits) + (1 if minimise_load else 0)
        objective = np.zeros(width)
        if minimise_load:
            objective[-1] = 1.0
        else:
            objective[: self.n] = cost
        blocks, low, high = self._structure(width, types, (least, below), dominated=not minimise_load)
        rows, constant = self._limits()
        # loads far below 1 would be lost in the tolerances of the solver: scaled by the load of some choice
        scale = 1.0 / (float(self.load(self._least_scatter_choice()).max()) or 1.0) if minimise_load else 1.0
        rows, constant = rows * scale, constant * scale
        block = np.zeros((len(rows), width))
        block[:, : self.n] = rows
        if minimise_load:
            block[:, -1] = -1.0
        blocks.append(csr_array(block))
        low += [-np.inf] * len(rows)
        high += ((0.0 if minimise_load else factor) - constant).tolist()
        integer = np.zeros(width)
        integer[: self.n] = 1
        upper = np.ones(width)
        if minimise_load:
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
        self._reached = float(solution.fun) / scale if minimise_load else factor
        picked = solution.x[: self.n]
        return tuple(int(np.argmax(picked[self.starts[j] : self.starts[j + 1]])) for j in range(len(self.sizes)))

    def _of(self, joint: int, encoder: str) -> list[int]:
        """Columns of the options of a joint with a given encoder."""
        first = int(self.starts[joint])
        return [first + o for o, option in enumerate(self.options.joints[joint]) if option.encoder == encoder]

    def _least_scatter_choice(self) -> Choice:
        """Choice of the option with the least independent variance over the limits at every joint."""
        return tuple(
            int(np.argmin([np.max(part.independent_variance / self.limit) for part in row]))
            for row in self.option_moments
        )

    def _structure(
        self, width: int, types: Sequence[str], prices: tuple[float, float], dominated: bool
    ) -> tuple[list[csr_array], list[float], list[float]]:
        """Rows that do not depend on poses: one option per joint, limits, price, excluded choices."""
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
                    if at[j, name]:  # at most one of them is taken, so one row for all: tighter than one row each
                        row({first + t: -1.0, **dict.fromkeys(at[j, name], 1.0)}, -np.inf, 0)
            row({first + t: 1.0 for t in range(len(types))}, -np.inf, most)
        for joints in self.options.same_encoder_groups:
            for j, k in pairwise(joints):
                for name in types:
                    row({**dict.fromkeys(at[j, name], 1.0), **dict.fromkeys(at[k, name], -1.0)}, 0, 0)
        for pair in self.options.forbidden_pairs:
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
        for weights, least in self.excluded_neighbourhoods:
            row({i: float(w) for i, w in enumerate(weights) if w}, least * (1 - TINY), np.inf)
        matrix = lil_array((len(rows), width))
        for number, entries in enumerate(rows):
            for column, value in entries.items():
                matrix[number, column] = value
        return [csr_array(matrix)], low, high
