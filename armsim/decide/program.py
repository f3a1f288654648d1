"""Choice of one option per joint as a mixed-integer program, solved to proven optimality.

    minimise    sum of prices, with those by quantity and those of a type (`purchase_rows`)
    subject to  one option per joint; mass, stock, number of encoder types
                at every pose, to first order, E|dp|^2 and the part of it that is drawn anew per visit <= their limits,
                and the same for the rotation of the tool if the orientation is limited

E|dp|^2 is linear in the choice except for |V|^2, with V the sum of the shared vectors of all parts (means, shared
causes). V is linear in the choice and |V|^2 is convex, so that for any V0

    |V|^2 >= 2 V0 . V - |V0|^2

is a valid cut, exact at V0. The covariance C of the rotation vector over the visits is linear in the choice too. The
repeatability of the orientation is three standard deviations about the axis of largest variance, and any axis u gives a
valid cut:

    largest eigenvalue of C >= u . C u

Poses and cuts are added when a solution violates them; the final choice violates none.

References
----------
.. [1] Kelley, J. SIAM 8 (1960) 703: cutting planes of a convex program; Duran, Grossmann, Math. Programming 36 (1986)
   307 with integers. HiGHS: Huangfu, Hall, Math. Prog. Comp. 10 (2018) 119.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import Bounds, LinearConstraint
from scipy.sparse import csr_array, vstack

from armsim.arrays import Array
from armsim.decide.choice_rows import choice_rows, type_column_count
from armsim.decide.option_moments import Moments
from armsim.decide.purchase_rows import tier_prices, tiers_of
from armsim.decide.quiet_solver import milp
from armsim.errors import RunError
from armsim.model.joint_options import Options
from armsim.run_options import CheckStop, never_stop

Choice = tuple[int, ...]
"""Index of the option of every joint."""
BATCH = 12
"""Largest number of violated poses added to the program at a time."""
EQUAL_SHARE = 1e-3
"""Options whose contributions differ by less than this share of the limit count as equal."""


@dataclass(frozen=True, eq=False)
class Cut:
    """Linear cut at a pose.

    Parameters
    ----------
    pose : int
        Index of the limit, as in the rows of the moments.
    vector : (vectors,)
        Sum of shared vectors [m or rad] at which the convex term is linearised (V0), or axis of rotation [1] (u).
    """

    pose: int
    vector: Array


@dataclass(eq=False)
class Program:
    """Integer program for given limits; poses and cuts are added when a solution violates them.

    Parameters
    ----------
    options : Options
    option_moments : list of list of Moments
        Moments of every option of every joint.
    fixed_moments : Moments
        Moments of the parts that are not chosen.
    limit : (rows,) [m^2 or rad^2]
        Limit of the mean square error in the rows of the moments; inf without a limit.
    visit_limit : (poses,) [m^2]
        Limit of the mean square displacement of the tool point over the visits; inf without a limit.
    turning_limit : (poses,) [rad^2]
        Limit of the largest variance of the rotation over the visits; inf without a limit.
    check_stop : callable
        Called before and during every solution, as `CheckStop`.
    refused : list of Choice
        Choices known to fail the limits.
    dominated : list of list of list of int
        Options that are no better, per failed choice and joint. Choices of such options alone are taken to fail too;
        `closest` still considers them.
    excluded_neighbourhoods : list of (weights of all options, least sum)
        Choices whose weights sum to less are known to fail the limits.
    cuts : list of Cut
    visit_rows : list of int
        Poses added for the scatter of their visits.
    turning_cuts : list of Cut
        Poses and axes added for the rotation over the visits.
    """

    options: Options
    option_moments: list[list[Moments]]
    fixed_moments: Moments
    limit: Array
    visit_limit: Array
    turning_limit: Array
    check_stop: CheckStop = never_stop
    refused: list[Choice] = field(default_factory=list)
    dominated: list[list[list[int]]] = field(default_factory=list)
    excluded_neighbourhoods: list[tuple[Array, float]] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    visit_rows: list[int] = field(default_factory=list)
    turning_cuts: list[Cut] = field(default_factory=list)

    _last_utilisation: float = field(default=np.inf, init=False)
    """Largest utilisation, mean square divided by its limit, of the last solution."""

    def __post_init__(self) -> None:
        self.sizes = [len(row) for row in self.option_moments]
        self.starts = np.concatenate([[0], np.cumsum(self.sizes)])
        self.n = int(self.starts[-1])
        single = np.array([option.price for row in self.options.joints for option in row])
        self.tiers = tiers_of(self.options)
        self.prices = np.concatenate([single, np.zeros(type_column_count(self.options)), tier_prices(self.tiers)])
        parts = [part for row in self.option_moments for part in row]
        self.independent_variance = np.stack([part.independent_variance for part in parts], axis=1)
        self.shared_vectors = np.stack([part.shared_vectors for part in parts], axis=2)  # (poses, numbers, options)
        self.visit_variance = np.stack([part.visit_variance for part in parts], axis=1)
        self.rotation_covariance = np.stack([part.rotation_covariance for part in parts], axis=1)
        if not self.cuts:
            worst = int(np.argmax(self.independent_variance.max(axis=1) / self.limit))
            self.cuts = [Cut(worst, self.fixed_moments.shared_vectors[worst])]

    def vector(self, choice: Choice) -> Array:
        """Sum of the shared vectors of a choice and of the fixed parts, shape (rows, vectors). [m or rad]"""
        return np.asarray(
            self.fixed_moments.shared_vectors
            + sum(row[n].shared_vectors for row, n in zip(self.option_moments, choice, strict=True))
        )

    def mean_square(self, choice: Choice) -> Array:
        """First-order mean square error of a choice per pose, shape (rows,). [m^2 or rad^2]"""
        variance = self.fixed_moments.independent_variance + sum(
            row[n].independent_variance for row, n in zip(self.option_moments, choice, strict=True)
        )
        return np.asarray(variance + np.sum(self.vector(choice) ** 2, axis=1))

    def visit_mean_square(self, choice: Choice) -> Array:
        """Mean square displacement of the tool point over the visits of a choice, shape (poses,). [m^2]"""
        chosen = sum(row[n].visit_variance for row, n in zip(self.option_moments, choice, strict=True))
        return np.asarray(self.fixed_moments.visit_variance + chosen)

    def turning_covariance(self, choice: Choice) -> Array:
        """Covariance of the rotation vector of the tool over the visits of a choice, shape (poses, 3, 3). [rad^2]"""
        chosen = sum(row[n].rotation_covariance for row, n in zip(self.option_moments, choice, strict=True))
        return np.asarray(self.fixed_moments.rotation_covariance + chosen)

    def price(self, choice: Choice) -> float:
        """Price of a choice. [cost units]"""
        return self.options.price([row[n] for row, n in zip(self.options.joints, choice, strict=True)])

    def utilisations(self, choice: Choice) -> Array:
        """Mean square over its limit at every pose, shape (kinds, poses).

        Kinds are the mean square errors of the tool point and of the orientation, then, if they are limited, the
        displacement and the rotation over the visits.
        """
        rows = [*(self.mean_square(choice) / self.limit).reshape(-1, len(self.visit_limit))]
        if self.limits_visits:
            rows.append(self.visit_mean_square(choice) / self.visit_limit)
        if self.limits_turning:
            rows.append(np.linalg.eigvalsh(self.turning_covariance(choice))[:, -1] / self.turning_limit)
        return np.stack(rows)

    @property
    def limits_visits(self) -> bool:
        """Whether the displacement of the tool point over the visits is limited at any pose."""
        return bool(np.isfinite(self.visit_limit).any())

    @property
    def limits_turning(self) -> bool:
        """Whether the rotation of the tool over the visits is limited at any pose."""
        return bool(np.isfinite(self.turning_limit).any())

    def largest_utilisation(self, choice: Choice) -> Array:
        """Largest of `utilisations` per pose, shape (poses,)."""
        return np.asarray(self.utilisations(choice).max(axis=0))

    def refuse_dominated(self, choice: Choice, tolerance: float = EQUAL_SHARE) -> None:
        """Exclude all choices that are no better than a failed one at any joint and pose.

        An option whose independent variance is smaller by less than the share ``tolerance`` of the limit counts as no
        better. Its shared vectors must agree within `EQUAL_SHARE`.

        Parameters
        ----------
        choice : Choice
        tolerance : float
            Share of the limit.
        """
        worse = []
        for row, n in zip(self.option_moments, choice, strict=True):
            chosen = row[n]
            no_better = []
            for number, part in enumerate(row):
                difference = np.abs(part.shared_vectors - chosen.shared_vectors).max(axis=1)
                same_vectors = np.all(difference <= EQUAL_SHARE * np.sqrt(self.limit))
                if same_vectors and np.all(
                    part.independent_variance >= chosen.independent_variance - tolerance * self.limit
                ):
                    no_better.append(number)
            worse.append(no_better)
        self.dominated.append(worse)

    def refuse(self, choice: Choice) -> None:
        """Exclude one choice."""
        self.refused.append(choice)

    def refuse_near(self, choice: Choice, pose: int, radius: float) -> None:
        """Exclude all choices whose visits at a pose are within a distance of those of a choice.

        The mean square distance is a sum over the joints, so that this is one linear constraint.

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

    def refuse_turning(self, choice: Choice, pose: int) -> None:
        """Exclude a choice, and all that rotate the tool beyond the limit about the same axis at a pose.

        Parameters
        ----------
        choice : Choice
        pose : int
        """
        self._add_turning(choice, pose)
        self.refuse(choice)

    def cheapest(self, price_limit: float = np.inf, factor: float = 1.0) -> Choice | None:
        """Cheapest choice within ``factor`` times the limits and below a price; None if there is none.

        Parameters
        ----------
        price_limit : float
            Largest price. [cost units]
        factor : float
            Factor on the limits of the mean squares.

        Returns
        -------
        Choice or None
        """
        while True:
            choice = self._solve(self.prices, price_limit, factor)
            if choice is None or not self._add_violated(choice, factor):
                return choice

    def closest(self, price_limit: float = np.inf, least_price: float = -np.inf) -> tuple[Choice, float] | None:
        """Choice with the smallest largest utilisation, and that utilisation; None if there is no choice.

        Parameters
        ----------
        price_limit, least_price : float
            Largest and smallest price. [cost units]

        Returns
        -------
        (Choice, float) or None
        """
        while True:
            choice = self._solve(None, price_limit, 1.0, least_price)
            if choice is None:
                return None
            worst = float(self.largest_utilisation(choice).max())
            if not self._add_violated(choice, self._last_utilisation * (1 + 1e-7)):
                return choice, worst

    def _add_violated(self, choice: Choice, factor: float) -> bool:
        """Add the poses at which a choice violates its limits most; return whether any was added."""
        utilisations, vector, poses = self.utilisations(choice), self.vector(choice), len(self.visit_limit)
        errors = len(self.limit) // poses
        added = False
        for row, utilisation in enumerate(utilisations):
            for pose in (int(n) for n in np.argsort(-utilisation)[:BATCH] if utilisation[n] > factor * (1 + 1e-6)):
                if row < errors:
                    added |= self._add_error(row * poses + pose, vector)
                elif row == errors and self.limits_visits:
                    added |= self._add_visits(pose)
                else:
                    added |= self._add_turning(choice, pose)
        return added

    def _add_error(self, row: int, vector: Array) -> bool:
        if any(cut.pose == row and np.array_equal(cut.vector, vector[row]) for cut in self.cuts):
            return False
        self.cuts.append(Cut(row, vector[row]))
        return True

    def _add_visits(self, pose: int) -> bool:
        if pose in self.visit_rows:
            return False
        self.visit_rows.append(pose)
        return True

    def _add_turning(self, choice: Choice, pose: int) -> bool:
        widest = np.linalg.eigh(self.turning_covariance(choice)[pose])[1][:, -1]
        if any(cut.pose == pose and np.array_equal(cut.vector, widest) for cut in self.turning_cuts):
            return False
        self.turning_cuts.append(Cut(pose, widest))
        return True

    def _rows_of_poses(self) -> tuple[Array, Array]:
        """Contributions of options, shape (rows, options), and of fixed parts, shape (rows,), over the limits."""
        poses = np.array([cut.pose for cut in self.cuts], dtype=int)
        vectors = np.array([cut.vector for cut in self.cuts])
        rows = self.independent_variance[poses] + 2.0 * np.einsum("rv,rvo->ro", vectors, self.shared_vectors[poses])
        constant = self.fixed_moments.independent_variance[poses] + np.sum(
            vectors * (2.0 * self.fixed_moments.shared_vectors[poses] - vectors), axis=1
        )
        limit = self.limit[poses]
        limited = np.array([n for n in self.visit_rows if np.isfinite(self.visit_limit[n])], dtype=int)
        limits_of_visits = self.visit_limit[limited]
        turned = np.array([cut.pose for cut in self.turning_cuts], dtype=int)
        axes = np.array([cut.vector for cut in self.turning_cuts]).reshape(-1, 3)
        visit_variance = np.einsum("ri,roij,rj->ro", axes, self.rotation_covariance[turned], axes)
        fixed_about = np.einsum("ri,rij,rj->r", axes, self.fixed_moments.rotation_covariance[turned], axes)
        limits_of_turning = self.turning_limit[turned]
        shares = [
            rows / limit[:, None],
            self.visit_variance[limited] / limits_of_visits[:, None],
            visit_variance / limits_of_turning[:, None],
        ]
        fixed = self.fixed_moments.visit_variance[limited] / limits_of_visits
        return np.concatenate(shares), np.concatenate([constant / limit, fixed, fixed_about / limits_of_turning])

    def _solve(
        self, cost: Array | None, price_limit: float, factor: float, least_price: float = -np.inf
    ) -> Choice | None:
        """Solve with the added poses; without a cost, minimise the largest utilisation."""
        minimises_utilisation = cost is None
        width = len(self.prices) + (1 if minimises_utilisation else 0)
        objective = np.zeros(width)
        if minimises_utilisation:
            objective[-1] = 1.0
        else:
            objective[:] = cost
        excluded = [[[n] for n in choice] for choice in self.refused] + (
            [] if minimises_utilisation else self.dominated
        )
        prices = least_price, price_limit
        choice_matrix, low, high = choice_rows(self.options, width, prices, excluded, self.excluded_neighbourhoods)
        rows, constant = self._rows_of_poses()
        # utilisations far below 1 would be lost in the tolerances of the solver: scale them by that of some choice
        scale = 1.0 / (self._typical_utilisation() or 1.0) if minimises_utilisation else 1.0
        rows, constant = rows * scale, constant * scale
        pose_matrix = np.zeros((len(rows), width))
        pose_matrix[:, : self.n] = rows
        if minimises_utilisation:
            pose_matrix[:, -1] = -1.0
        low += [-np.inf] * len(rows)
        high += ((0.0 if minimises_utilisation else factor) - constant).tolist()
        integer = np.zeros(width)
        integer[: self.n] = 1
        upper = np.ones(width)
        first = len(self.prices) - 2 * len(self.tiers)
        integer[first : len(self.prices) : 2] = 1  # one tier is taken whole
        upper[first + 1 : len(self.prices) : 2] = [tier.most for tier in self.tiers]
        if minimises_utilisation:
            upper[-1] = np.inf
        solution = milp(
            objective,
            constraints=LinearConstraint(vstack([choice_matrix, csr_array(pose_matrix)]), low, high),
            integrality=integer,
            bounds=Bounds(0, upper),
            options={"mip_rel_gap": 0.0},
            check_stop=self.check_stop,
        )
        if solution.status == 2:
            return None
        if solution.x is None or solution.status != 0:
            raise RunError(f"the choice could not be solved: {solution.message}")
        self._last_utilisation = float(solution.fun) / scale if minimises_utilisation else factor
        picked = solution.x[: self.n]
        return tuple(int(np.argmax(picked[self.starts[j] : self.starts[j + 1]])) for j in range(len(self.sizes)))

    def _typical_utilisation(self) -> float:
        """Largest utilisation of the choice with the least independent variance over the limits at every joint."""
        variances = ([np.max(part.independent_variance / self.limit) for part in row] for row in self.option_moments)
        return float(self.largest_utilisation(tuple(int(np.argmin(row)) for row in variances)).max())
