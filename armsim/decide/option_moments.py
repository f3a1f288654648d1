"""First-order contribution of every option to the mean square error per pose, and to its scatter over the visits.

The mean square error has a row per pose, and, if the orientation is limited, another row per pose for the rotation of
the tool: the two are different sums over the joints, and neither follows from the other.

Terms of different joints are independent, with two exceptions that add as vectors: means, and the coefficient of a
cause that several joints share (one temperature moves links, scales and drifts together). Both are represented as
vectors.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from armsim.arrays import Array
from armsim.errormodel.terms import Independent
from armsim.model.configurations import Configurations
from armsim.model.correction import TERM_NAME
from armsim.model.joint import Joint
from armsim.model.joint_options import Options
from armsim.model.machine import EvaluatedMachine, Machine
from armsim.model.posture_cache import PostureCache
from armsim.run_options import CheckStop, never_stop
from armsim.sampling.visit_integrals import STD


@dataclass(frozen=True, eq=False)
class VisitCoefficient:
    """Coefficient drawn anew per visit.

    Parameters
    ----------
    distribution : str
        Name of its distribution.
    gain : (P, 3) [m]
        Tool-point displacement per standard deviation; on a path, its projection onto the plane across the path, in
        which RP is evaluated.
    """

    distribution: str
    gain: Array


@dataclass(frozen=True, eq=False)
class Moments:
    """Moments of the error that one part of a machine makes at P poses.

    The mean square error has R rows: one per pose, or, with those of the orientation, 2 P.

    Parameters
    ----------
    shared_vectors : (R, 3 (1 + shared causes)) [m or rad]
        Mean, then the displacement per standard deviation of every shared cause. The vectors of several parts add.
    independent_variance : (R,) [m^2 or rad^2]
        Trace of the covariance by all other coefficients. The variances of several parts add.
    visit_variance : (P,) [m^2]
        The part of ``independent_variance`` of the tool point that is drawn anew per visit; on a path, across it.
    visit_coefficients : mapping of name to VisitCoefficient
        Coefficients that make up ``visit_variance``, by name.
    rotation_covariance : (P, 3, 3) [rad^2]
        Covariance of the rotation vector of the tool over the visits. The covariances of several parts add.
    """

    shared_vectors: Array
    independent_variance: Array
    visit_variance: Array
    visit_coefficients: dict[str, VisitCoefficient]
    rotation_covariance: Array

    def __add__(self, other: Moments) -> Moments:
        return Moments(
            self.shared_vectors + other.shared_vectors,
            self.independent_variance + other.independent_variance,
            self.visit_variance + other.visit_variance,
            {**self.visit_coefficients, **other.visit_coefficients},
            self.rotation_covariance + other.rotation_covariance,
        )

    @property
    def mean_square(self) -> Array:
        """Mean square error, shape (R,). [m^2 or rad^2]"""
        return np.asarray(self.independent_variance + np.sum(self.shared_vectors**2, axis=1))

    def visit_distance(self, other: Moments) -> Array:
        """Mean square distance between the visits of two parts, shape (P,). [m^2]

        Coefficients of the same name and distribution are coupled: any coupling of two distributions gives an upper
        bound of their distance.
        """
        out = np.zeros(len(self.visit_variance))
        for name in {*self.visit_coefficients, *other.visit_coefficients}:
            a, b = self.visit_coefficients.get(name), other.visit_coefficients.get(name)
            if a is not None and b is not None and a.distribution == b.distribution:
                out += np.sum((a.gain - b.gain) ** 2, axis=1)
            else:
                out += sum(np.sum(coefficient.gain**2, axis=1) for coefficient in (a, b) if coefficient is not None)
        return out


JointMachines = list[list[Machine]]
"""Machine of a single joint, per joint and option; its error terms are computed once."""


def joint_machines(machine: Machine, options: Options) -> JointMachines:
    """Machines of the single joint of every option, which make that joint's contribution to the error of the machine.

    Parameters
    ----------
    machine : Machine
    options : Options

    Returns
    -------
    JointMachines
    """
    return [[_with_one_joint(machine, option.joint) for option in row] for row in options.joints]


SharedTerms = tuple[str, ...]
"""Names of the shared terms. Joints share their first coefficient; every joint has its own draw of the others."""


def shared_terms(
    machine: Machine, options: Options, joints: JointMachines | None = None, check_stop: CheckStop = never_stop
) -> SharedTerms:
    """Terms shared by several joints, or by a joint and the links.

    Parameters
    ----------
    machine : Machine
    options : Options
    joints : JointMachines, optional
        As returned by `joint_machines`; computed if not given.
    check_stop : callable
        Called before every option, as `CheckStop`.

    Returns
    -------
    SharedTerms
    """
    owners: dict[str, set[str]] = {}
    parts = [("links", replace(machine, joints=()))]
    parts += [(part.joints[0].name, part) for row in joints or joint_machines(machine, options) for part in row]
    for owner, part in parts:
        check_stop()
        for term in part.terms:
            owners.setdefault(term.name, set()).add(owner)
    return tuple(name for name, owners_of_term in owners.items() if len(owners_of_term) > 1 and name != TERM_NAME)


def moments_of(
    machine: Machine,
    configurations: Sequence[Configurations],
    shared: SharedTerms = (),
    with_orientation: bool = False,
    caches: Sequence[PostureCache] | None = None,
    check_stop: CheckStop = never_stop,
) -> Moments:
    """Moments of a machine at the poses of all tasks in order.

    Parameters
    ----------
    machine : Machine
    configurations : sequence of Configurations
    shared : SharedTerms
    with_orientation : bool
        Whether to add rows of the orientation after those of the tool point.
    caches : sequence of PostureCache, optional
        Kinematics at the poses of every task, shared with other machines.
    check_stop : callable
        Called before every task, as `CheckStop`.

    Returns
    -------
    Moments
    """
    postures = [None] * len(configurations) if caches is None else caches
    evaluated = []
    for at_task in zip(configurations, postures, strict=True):
        check_stop()
        evaluated.append(machine.evaluate(*at_task))
    errors = [
        _errors_at(of_task, shared, turned) for turned in (False, True)[: 1 + with_orientation] for of_task in evaluated
    ]
    visits = [_visits_at(*of_task) for of_task in zip(evaluated, configurations, strict=True)]
    names = visits[0].visit_coefficients
    return Moments(
        np.concatenate([vectors for vectors, _ in errors]),
        np.concatenate([variance for _, variance in errors]),
        np.concatenate([part.variance for part in visits]),
        {
            name: VisitCoefficient(coefficient.distribution, np.concatenate([_gain(part, name) for part in visits]))
            for name, coefficient in _all_coefficients(visits, names)
        },
        np.concatenate([part.rotation_covariance for part in visits]),
    )


@dataclass(frozen=True, eq=False)
class _Visits:
    """Scatter of the visits at the poses of a task, as in `Moments`."""

    variance: Array
    visit_coefficients: dict[str, VisitCoefficient]
    rotation_covariance: Array


def _all_coefficients(
    parts: Sequence[_Visits], first: dict[str, VisitCoefficient]
) -> Iterable[tuple[str, VisitCoefficient]]:
    """Coefficients of any of the parts.

    A path has other coefficients than poses at rest, since the direction of motion decides the side of a backlash.
    """
    coefficients = dict(first)
    for part in parts:
        coefficients.update(
            {name: coefficient for name, coefficient in part.visit_coefficients.items() if name not in coefficients}
        )
    return coefficients.items()


def _gain(part: _Visits, name: str) -> Array:
    coefficient = part.visit_coefficients.get(name)
    return np.zeros((len(part.variance), 3)) if coefficient is None else coefficient.gain


def _errors_at(evaluated: EvaluatedMachine, shared: SharedTerms, turning: bool) -> tuple[Array, Array]:
    """Shared vectors and independent variance at the poses of a task, of the tool point or of the orientation."""
    poses = len(evaluated.postures.column)
    shared_vectors = np.zeros((poses, 1 + len(shared), 3))
    independent_variance = np.zeros(poses)
    for term, g in evaluated.gains(turning):
        shared_vectors[:, 0] += g @ term.mean
        covariance = term.covariance
        if term.name in shared and covariance[0, 0] > 0.0:
            # the part of every coefficient that is correlated with the first is shared; the rest is the joint's own
            following = covariance[:, 0] / np.sqrt(covariance[0, 0])
            shared_vectors[:, 1 + shared.index(term.name)] += g @ following
            covariance = covariance - np.outer(following, following)
        independent_variance += np.maximum(np.einsum("pjk,kl,pjl->p", g, covariance, g), 0.0)
    return shared_vectors.reshape(poses, -1), independent_variance


def _visits_at(evaluated: EvaluatedMachine, configurations: Configurations) -> _Visits:
    poses = len(configurations)
    square, turning = np.zeros(poses), np.zeros((poses, 3, 3))
    of_visits: dict[str, VisitCoefficient] = {}
    for (term, g), (_, turned) in zip(evaluated.gains(), evaluated.gains(orientation=True), strict=True):
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


def fixed_moments(
    machine: Machine, configurations: Sequence[Configurations], shared: SharedTerms = (), with_orientation: bool = False
) -> Moments:
    """Moments that no option changes: those of the links and of shared temperature.

    Parameters
    ----------
    machine : Machine
    configurations : sequence of Configurations
    shared : SharedTerms
    with_orientation : bool
        As in `moments_of`.

    Returns
    -------
    Moments
    """
    return moments_of(replace(machine, joints=()), configurations, shared, with_orientation)


def moments_of_options(
    machine: Machine,
    options: Options,
    configurations: Sequence[Configurations],
    shared: SharedTerms = (),
    with_orientation: bool = False,
    joints: JointMachines | None = None,
    check_stop: CheckStop = never_stop,
) -> list[list[Moments]]:
    """Moments of every option of every joint, including its gear and mastering.

    Parameters
    ----------
    machine : Machine
    options : Options
    configurations : sequence of Configurations
    shared : SharedTerms
    with_orientation : bool
        As of `moments_of`.
    joints : JointMachines, optional
        As returned by `joint_machines`; computed if not given.
    check_stop : callable
        Called before every task of every option, as `CheckStop`.

    Returns
    -------
    list of list of Moments
        Moments per joint and option.
    """
    caches = [PostureCache(at_task.joints) for at_task in configurations]
    return [
        [moments_of(part, configurations, shared, with_orientation, caches, check_stop) for part in row]
        for row in joints or joint_machines(machine, options)
    ]


def _with_one_joint(machine: Machine, joint: Joint) -> Machine:
    """Machine of one joint without the links; the drift of that joint and the growth of its scale remain.

    The joint carries the masses of the original machine: the different masses of other options are neglected.
    """
    correction = None if machine.correction is None else machine.correction.without_instrument
    environment = replace(machine.environment, links_follow_rise=False)
    return replace(
        machine,
        joints=(joint,),
        tolerances=(),
        masses=machine.masses_with_sensors,
        environment=environment,
        correction=correction,
    )
