"""Selection of measurement poses by exchange, one by one, until no exchange improves it.

With V = (P^-1 + sum over the poses of J_i^T C_i^-1 J_i)^-1, the covariance of the parameters after measuring a set of
poses, the criteria are:

    error        trace(A V), A = mean over the poses of the tasks of B^T B: smallest mean square error there
    determinant  log det V: smallest volume of the uncertainty (D-optimal; O1 of the whitened Jacobian)

Errors that are not identified are included in C_i, as independent scatter at every pose.

References
----------
.. [1] Fedorov, Theory of Optimal Experiments (1972), ch. 3: exchange; Cook, Nachtsheim, Technometrics 22 (1980) 315:
   one pose at a time.
.. [2] Atkinson, Donev, Tobias, Optimum Experimental Designs (2007), ch. 10 and 12: criteria, exchange.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from armsim.arrays import Array

STARTS = 10
"""Number of starting sets of the exchange: one built up pose by pose, the others random; the best result is used."""
ROUTE_STARTS = 12
"""Number of first poses from which a route is searched; the shortest route is used."""
MAX_PASSES = 50
MIN_IMPROVEMENT = 1e-9
"""Smallest relative improvement for an exchange to be made."""


@dataclass(frozen=True, eq=False)
class Pool:
    """Candidate poses for the exchange, and the criterion by which sets of them are compared.

    Parameters
    ----------
    blocks : (N, 3, K)
        Whitened Jacobian of every candidate, parameters in units of their scale.
    prior_information : (K, K)
        P^-1, possibly weak, so that the covariance is finite for few poses.
    weight : (K, K), optional
        A of the criterion ``error``; without it the criterion is the determinant.
    """

    blocks: Array
    prior_information: Array
    weight: Array | None = None

    def covariance(self, chosen: NDArray[np.intp]) -> Array:
        """Covariance V after measuring some poses, shape (K, K)."""
        rows = self.blocks[chosen].reshape(-1, self.blocks.shape[2])
        return np.asarray(np.linalg.inv(self.prior_information + rows.T @ rows))

    def value(self, chosen: NDArray[np.intp]) -> float:
        """Criterion of some poses; smaller is better."""
        covariance = self.covariance(chosen)
        if self.weight is not None:
            return float(np.trace(self.weight @ covariance))
        return float(np.linalg.slogdet(covariance)[1])

    def values_with_each(self, covariance: Array) -> Array:
        """Criterion after adding each candidate to a set of poses with a given covariance, shape (N,)."""
        reach = self.blocks @ covariance  # (N, 3, K)
        inner = np.eye(3) + reach @ self.blocks.swapaxes(1, 2)
        if self.weight is None:
            return np.asarray(np.linalg.slogdet(covariance)[1] - np.linalg.slogdet(inner)[1])
        gained = np.linalg.solve(inner, reach @ self.weight @ reach.swapaxes(1, 2))
        return np.asarray(np.trace(self.weight @ covariance) - np.trace(gained, axis1=1, axis2=2))

    def covariance_without(self, covariance: Array, number: int) -> Array:
        """Covariance of the parameters after removing a pose from a set.

        Parameters
        ----------
        covariance : (K, K)
            Covariance with the pose.
        number : int
            Index of the pose among the candidates.

        Returns
        -------
        (K, K)
        """
        block = self.blocks[number]
        reach = block @ covariance
        return np.asarray(covariance + reach.T @ np.linalg.solve(np.eye(3) - reach @ block.T, reach))


def select_poses(pool: Pool, count: int, rng: np.random.Generator, starts: int = STARTS) -> NDArray[np.intp]:
    """Best set of poses that the exchange finds.

    Parameters
    ----------
    pool : Pool
    count : int
        Number of poses.
    rng : Generator
        Draws the random starting sets.
    starts : int
        Number of starting sets; the first is built up pose by pose.

    Returns
    -------
    (count,) of int
        Indices of the candidates, in ascending order.
    """
    number = len(pool.blocks)
    if count >= number:
        return np.arange(number)
    best: NDArray[np.intp] = np.arange(count)
    value = np.inf
    for start in range(starts):
        begin = _built_up(pool, count) if start == 0 else rng.permutation(number)[:count]
        chosen = _exchange_until_best(pool, begin)
        if (trial := pool.value(chosen)) < value:
            best, value = chosen, trial
    return np.sort(best)


def _built_up(pool: Pool, count: int) -> NDArray[np.intp]:
    """Set of poses built up from none, each time with the pose that improves the criterion most."""
    chosen: list[int] = []
    for _ in range(count):
        values = pool.values_with_each(pool.covariance(np.array(chosen, dtype=np.intp)))
        values[chosen] = np.inf
        chosen.append(int(np.argmin(values)))
    return np.array(chosen, dtype=np.intp)


def _exchange_until_best(pool: Pool, begin: NDArray[np.intp]) -> NDArray[np.intp]:
    """Set of poses after exchanging single poses until no exchange improves the criterion."""
    chosen = begin.copy()
    for _ in range(MAX_PASSES):
        exchanged = False
        for position in range(len(chosen)):
            others = pool.covariance_without(pool.covariance(chosen), int(chosen[position]))
            values = pool.values_with_each(others)
            present = values[chosen[position]]
            values[chosen] = np.inf
            other = int(np.argmin(values))
            if values[other] < present - MIN_IMPROVEMENT * max(abs(present), 1e-300):
                chosen[position], exchanged = other, True
        if not exchanged:
            break
    return chosen


def short_route(joints: Array, speeds: Array) -> NDArray[np.intp]:
    """Order of poses with a short route: nearest neighbour, then 2-opt, from several first poses.

    The length of a move is its duration by the slowest joint.

    Parameters
    ----------
    joints : (M, joints) [rad or m]
    speeds : (joints,) [rad/s or m/s]
        Speed of every joint, or its travel where speeds are not known.

    Returns
    -------
    (M,) of int
        Numbers of the poses in the order of the route.

    References
    ----------
    .. [1] Croes, Operations Research 6 (1958) 791: 2-opt.
    """
    distance = np.abs((joints[:, None] - joints[None]) / speeds).max(axis=2)
    number = len(joints)
    best: NDArray[np.intp] = np.arange(number)
    shortest = np.inf
    for begin in np.unique(np.linspace(0, number - 1, min(number, ROUTE_STARTS)).astype(int)).tolist():
        route = _two_opt(_nearest_next(distance, begin), distance)
        length = float(distance[route[:-1], route[1:]].sum())
        if length < shortest:
            best, shortest = route, length
    return best


def _nearest_next(distance: Array, begin: int) -> NDArray[np.intp]:
    """Order of poses by nearest neighbour from one first pose."""
    remaining = distance.copy()
    route = [begin]
    for _ in range(len(distance) - 1):
        remaining[:, route[-1]] = np.inf
        route.append(int(np.argmin(remaining[route[-1]])))
    return np.array(route, dtype=np.intp)


def _two_opt(route: NDArray[np.intp], distance: Array) -> NDArray[np.intp]:
    """Order of poses after 2-opt: reverse the section that shortens the route most, until none does."""
    number = len(route)
    while number > 2:
        along = distance[np.ix_(route, route)]
        step = np.append(np.diagonal(along, 1), 0.0)  # no move after the last pose
        before = np.append(0.0, step[:-1])  # no move before the first pose
        from_previous = np.vstack([np.zeros(number), along[:-1]])  # from the pose before i to k
        out = np.hstack([along[:, 1:], np.zeros((number, 1))])  # from i to the pose after k
        gain = before[:, None] + step[None, :] - from_previous - out
        gain[np.tril_indices(number)] = 0.0
        i, k = np.unravel_index(int(np.argmax(gain)), gain.shape)
        if gain[i, k] <= 1e-12:
            break
        route = np.concatenate([route[:i], route[i : k + 1][::-1], route[k + 1 :]])
    return route
