"""Contribution of every option to the mean square error per pose, to first order, and to its visit part.

The mean square error has a row per pose, and where the orientation is limited another one per pose, of the rotation of
the tool: the two are different sums over the joints, and neither follows from the other.

Terms of different joints are independent but for two things that add as vectors: means, and the coefficient of a cause
that several joints share (one temperature moves links, scales and drifts together). Both are carried as vectors.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from armsim.arrays import Array
from armsim.errormodel.terms import Independent
from armsim.model.configurations import Configurations
from armsim.model.correction import NAME
from armsim.model.joint import Joint
from armsim.model.joint_options import Options
from armsim.model.machine import EvaluatedMachine, Machine
from armsim.model.posture_cache import PostureCache
from armsim.sampling.visit_integrals import STD


@dataclass(frozen=True, eq=False)
class VisitCoefficient:
    """Coefficient drawn anew per visit: name of its distribution, and tool-point displacement per standard deviation.

    ``gain`` has the shape (P, 3) [m]; on a path it is projected onto the plane across it, where RP is evaluated.
    """

    distribution: str
    gain: Array


@dataclass(frozen=True, eq=False)
class Moments:
    """Moments of the error of one part of a machine, at P poses, in R rows: P, or 2 P with those of the orientation.

    Parameters
    ----------
    shared_vectors : (R, 3 (1 + shared causes)) [m or rad]
        Mean, then the displacement per standard deviation of every shared cause; vectors of several parts add.
    independent_variance : (R,) [m^2 or rad^2]
        Trace of the covariance of all other coefficients; variances of several parts add.
    visits : (P,) [m^2]
        Part of ``independent_variance`` of the tool point that is drawn anew per visit; on a path, across it.
    of_visits : mapping of name to VisitCoefficient
        Coefficients that make up ``visits``.
    turning_visits : (P, 3, 3) [rad^2]
        Covariance of the rotation vector of the tool over the visits; covariances of several parts add.
    """

    shared_vectors: Array
    independent_variance: Array
    visits: Array
    of_visits: dict[str, VisitCoefficient]
    turning_visits: Array

    def __add__(self, other: Moments) -> Moments:
        return Moments(
            self.shared_vectors + other.shared_vectors,
            self.independent_variance + other.independent_variance,
            self.visits + other.visits,
            {**self.of_visits, **other.of_visits},
            self.turning_visits + other.turning_visits,
        )

    @property
    def square(self) -> Array:
        """Mean square error, shape (R,). [m^2 or rad^2]"""
        return np.asarray(self.independent_variance + np.sum(self.shared_vectors**2, axis=1))

    def visit_distance(self, other: Moments) -> Array:
        """Mean square distance of the visits of two parts, equal coefficients coupled, shape (P,). [m^2]

        Any coupling of two distributions bounds their distance; coefficients of one name and distribution are coupled.
        """
        out = np.zeros(len(self.visits))
        for name in {*self.of_visits, *other.of_visits}:
            a, b = self.of_visits.get(name), other.of_visits.get(name)
            if a is not None and b is not None and a.distribution == b.distribution:
                out += np.sum((a.gain - b.gain) ** 2, axis=1)
            else:
                out += sum(np.sum(coefficient.gain**2, axis=1) for coefficient in (a, b) if coefficient is not None)
        return out


JointMachines = list[list[Machine]]
"""A machine of one joint alone, per joint and option; it keeps its terms once they are evaluated."""


def joint_machines(machine: Machine, options: Options) -> JointMachines:
    """The joint of every option alone, as its part in the error of the machine.

    Parameters
    ----------
    machine : Machine
    options : Options

    Returns
    -------
    JointMachines
    """
    return [[_with_one_joint(machine, option.joint) for option in row] for row in options.joints]


Shared = tuple[str, ...]
"""Names of the shared terms. Their first coefficient is what is shared; each joint has its own of the others."""


def shared_terms(machine: Machine, options: Options, joints: JointMachines | None = None) -> Shared:
    """Terms shared by several joints, or by a joint and the links.

    Parameters
    ----------
    machine : Machine
    options : Options
    joints : JointMachines, optional
        As of `joint_machines`; made where not given.

    Returns
    -------
    Shared
    """
    owners: dict[str, set[str]] = {}
    parts = [("links", replace(machine, joints=()))]
    parts += [(part.joints[0].name, part) for row in joints or joint_machines(machine, options) for part in row]
    for owner, part in parts:
        for term in part.terms:
            owners.setdefault(term.name, set()).add(owner)
    return tuple(name for name, of in owners.items() if len(of) > 1 and name != NAME)


def moments_of(
    machine: Machine,
    configurations: Sequence[Configurations],
    shared: Shared = (),
    turning: bool = False,
    caches: Sequence[PostureCache] | None = None,
) -> Moments:
    """Moments of a machine at the poses of all tasks in order.

    Parameters
    ----------
    machine : Machine
    configurations : sequence of Configurations
    shared : Shared
    turning : bool
        Whether rows of the orientation follow those of the tool point.
    caches : sequence of PostureCache, optional
        Kinematics at the poses of every task that the machine shares with others.

    Returns
    -------
    Moments
    """
    postures = [None] * len(configurations) if caches is None else caches
    evaluated = [machine.evaluated(*at_task) for at_task in zip(configurations, postures, strict=True)]
    errors = [_errors_at(of_task, shared, turned) for turned in (False, True)[: 1 + turning] for of_task in evaluated]
    visits = [_visits_at(*of_task) for of_task in zip(evaluated, configurations, strict=True)]
    names = visits[0].of_visits
    return Moments(
        np.concatenate([vectors for vectors, _ in errors]),
        np.concatenate([variance for _, variance in errors]),
        np.concatenate([part.square for part in visits]),
        {
            name: VisitCoefficient(coefficient.distribution, np.concatenate([_gain(part, name) for part in visits]))
            for name, coefficient in _all_coefficients(visits, names)
        },
        np.concatenate([part.turning for part in visits]),
    )


@dataclass(frozen=True, eq=False)
class _Visits:
    """Visits at the poses of a task; parameters as of `Moments`."""

    square: Array
    of_visits: dict[str, VisitCoefficient]
    turning: Array


def _all_coefficients(
    parts: Sequence[_Visits], first: dict[str, VisitCoefficient]
) -> Iterable[tuple[str, VisitCoefficient]]:
    """Coefficients of any of the parts; a path has others than poses at rest, as the motion decides the side."""
    coefficients = dict(first)
    for part in parts:
        coefficients.update(
            {name: coefficient for name, coefficient in part.of_visits.items() if name not in coefficients}
        )
    return coefficients.items()


def _gain(part: _Visits, name: str) -> Array:
    coefficient = part.of_visits.get(name)
    return np.zeros((len(part.square), 3)) if coefficient is None else coefficient.gain


def _errors_at(evaluated: EvaluatedMachine, shared: Shared, turning: bool) -> tuple[Array, Array]:
    """Shared vectors and independent variance at the poses of a task, of the tool point or of the orientation."""
    poses = len(evaluated.postures.column)
    shared_vectors = np.zeros((poses, 1 + len(shared), 3))
    independent_variance = np.zeros(poses)
    for term, g in evaluated.gains(turning):
        shared_vectors[:, 0] += g @ term.mean
        covariance = term.covariance
        if term.name in shared and covariance[0, 0] > 0.0:
            # every coefficient follows the first as far as they are correlated; the remainder belongs to the joint
            # alone
            following = covariance[:, 0] / np.sqrt(covariance[0, 0])
            shared_vectors[:, 1 + shared.index(term.name)] += g @ following
            covariance = covariance - np.outer(following, following)
        independent_variance += np.maximum(np.einsum("pjk,kl,pjl->p", g, covariance, g), 0.0)
    return shared_vectors.reshape(poses, -1), independent_variance


def _visits_at(evaluated: EvaluatedMachine, configurations: Configurations) -> _Visits:
    poses = len(configurations)
    square, turning = np.zeros(poses), np.zeros((poses, 3, 3))
    of_visits: dict[str, VisitCoefficient] = {}
    for (term, g), (_, turned) in zip(evaluated.gains(), evaluated.gains(turning=True), strict=True):
        if term.life != "visit":
            continue
        assert isinstance(term.draw, Independent)  # held by Term itself
        scale = np.array([spread.scale * STD[spread.distribution] for spread in term.draw.spreads])
        turning += np.einsum("pik,pjk->pij", turned * scale, turned * scale)
        for k, spread in enumerate(term.draw.spreads):
            gain = g[:, :, k] * spread.scale * STD[spread.distribution]
            if configurations.tangents is not None:
                gain = gain - configurations.tangents * np.sum(configurations.tangents * gain, axis=1)[:, None]
            square += np.sum(gain**2, axis=1)
            of_visits[f"{term.name} {k}"] = VisitCoefficient(spread.distribution, gain)
    return _Visits(square, of_visits, turning)


def fixed_part(
    machine: Machine, configurations: Sequence[Configurations], shared: Shared = (), turning: bool = False
) -> Moments:
    """Moments that no option changes: of links, and shared heat.

    Parameters
    ----------
    machine : Machine
    configurations : sequence of Configurations
    shared : Shared
    turning : bool
        As of `moments_of`.

    Returns
    -------
    Moments
    """
    return moments_of(replace(machine, joints=()), configurations, shared, turning)


def option_parts(
    machine: Machine,
    options: Options,
    configurations: Sequence[Configurations],
    shared: Shared = (),
    turning: bool = False,
    joints: JointMachines | None = None,
) -> list[list[Moments]]:
    """Moments of every option of every joint, including its gear and mastering.

    Parameters
    ----------
    machine : Machine
    options : Options
    configurations : sequence of Configurations
    shared : Shared
    turning : bool
        As of `moments_of`.
    joints : JointMachines, optional
        As of `joint_machines`; made where not given.

    Returns
    -------
    list of list of Moments
        Moments per joint and option.
    """
    caches = [PostureCache(at_task.joints) for at_task in configurations]
    return [
        [moments_of(part, configurations, shared, turning, caches) for part in row]
        for row in joints or joint_machines(machine, options)
    ]


def _with_one_joint(machine: Machine, joint: Joint) -> Machine:
    """One joint of a machine, without the links; its own drift and the growth of its scale stay.

    It bears the sensors of the machine beyond it: the additional mass of other options is neglected.
    """
    correction = None if machine.correction is None else machine.correction.without_instrument
    environment = replace(machine.environment, links_share=False)
    return replace(
        machine,
        joints=(joint,),
        tolerances=(),
        masses=machine.loaded_masses,
        environment=environment,
        correction=correction,
    )
