"""An arm with a sensor on every joint: error terms, and the states at which they are evaluated."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from armsim import causes
from armsim.arrays import Array
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.states import States
from armsim.errormodel.terms import Act, Axis, Term
from armsim.field_spec import key
from armsim.model import bending, drives
from armsim.model.arm import Arm
from armsim.model.configurations import Configurations
from armsim.model.correction import Correction, Observation
from armsim.model.gravity import Masses
from armsim.model.identification import Identification
from armsim.model.joint import Joint
from armsim.model.kinematics import Kinematics
from armsim.model.posture_cache import PostureCache
from armsim.model.thermal import heat_terms
from armsim.physics import heat, link_tolerances

SURVEY_COUNT = 256
"""Joint positions, spread evenly over the ranges, at which state-dependent errors of the joint budget are evaluated."""


@dataclass(frozen=True)
class Environment:
    """Temperature, one random quantity of a built arm, and the expansion of the links.

    ``links_follow_rise`` is false if a joint is evaluated without the links: they grow by the rises of joints alone.
    """

    temperature_rise: Distribution | None = key(
        None, "temperature", "temperature above that of mastering, shared by links, scales and drifts",
        one_sided="a rise", cause=causes.TEMPERATURE, effect="growth and drifts, in proportion",
        physics=heat.temperature,
    )  # fmt: skip
    expansion: float = key(
        0.0, "expansion", "thermal expansion of the links", least=-1e-3, most=1e-3, cause=causes.LINK_GROWTH,
        effect="lengths of the arm, in proportion", physics=heat.temperature,
    )  # fmt: skip
    mastering_temperature: float = key(
        293.15, "absolute temperature", "temperature of mastering, from which measured temperatures are counted",
        least=200.0, most=400.0,
    )  # fmt: skip
    links_follow_rise: bool = True


@dataclass(frozen=True)
class Change:
    """Hypothetical change: a factor on the errors of a joint (its motion and its axis), of a cause, or of both."""

    factor: float
    joint: str | None = None
    cause: causes.Cause | None = None

    def __post_init__(self) -> None:
        if isinstance(self.cause, str):  # no term has a name as its cause, so the change would have no effect
            raise TypeError(f"cause {self.cause!r}: a name; accepted: a Cause of armsim.causes, or of a term")

    def act_factor(self, term: Term, act: Act) -> float:
        """Factor on an act of a term.

        Parameters
        ----------
        term : Term
        act : Act

        Returns
        -------
        float
        """
        return self.joint_factor(act.owner, term.cause)

    def joint_factor(self, joint: str, cause: causes.Cause) -> float:
        """Factor on the errors of a cause at a joint.

        Parameters
        ----------
        joint : str
        cause : Cause

        Returns
        -------
        float
        """
        return self.factor if self.joint in (None, joint) and self.cause in (None, cause) else 1.0


@dataclass(frozen=True, eq=False)
class Machine:
    """Error model of an arm: kinematics, joints, tolerances, masses, environment.

    Parameters
    ----------
    arm : Arm
    joints : tuple of Joint
        One for each joint of the arm, in its order.
    tolerances : tuple of (Axis, Distribution)
        Tolerances of link parameters.
    masses : Masses, optional
        Masses that load the joints by gravity.
    environment : Environment
    changes : tuple of Change
        Factors applied to the finished terms.
    correction : Correction, optional
        Correction from a calibration.
    identification : Identification, optional
        Values identified from a measurement of this arm.
    """

    arm: Arm
    joints: tuple[Joint, ...]
    tolerances: tuple[tuple[Axis, Distribution], ...] = ()
    masses: Masses | None = None
    environment: Environment = Environment()
    changes: tuple[Change, ...] = ()
    correction: Correction | None = None
    identification: Identification | None = None

    def __getstate__(self) -> dict[str, object]:
        """Fields only: cached values are not sent to other processes."""
        return {field.name: getattr(self, field.name) for field in fields(self)}

    @cached_property
    def terms(self) -> tuple[Term, ...]:
        """Every error term of the machine. One line here is all that a new effect needs."""
        terms: list[Term] = []
        for joint in self.joints:
            terms += joint.terms()
        for axis, tolerance in self.tolerances:
            terms += link_tolerances.link_tolerance(axis, tolerance)
        compliance = {axis: size for joint in self.joints for axis, size in joint.compliance.items()}
        terms += bending.payload_terms(self.masses, compliance)
        environment = self.environment
        terms += heat_terms(
            self.arm, self.joints, environment.temperature_rise, environment.expansion, environment.links_follow_rise
        )
        if self.drive_matrix is not None:
            terms = [drives.transfer_to_joints(term, self.arm.names, self.drive_matrix) for term in terms]
        if self.identification is not None:
            arm = self._with_error_motions(terms)
            terms = list(self.identification.replace_identified(terms, arm))
        changed_terms = tuple(self._with_changes(term) for term in terms)
        if self.correction is not None:
            changed_terms = (*changed_terms, self.correction.measurement_term(self._observation))
        return drives.with_followers(changed_terms, self.arm)

    @cached_property
    def drive_terms(self) -> tuple[Term, ...]:
        """Terms with the errors of what the drives see, before couplings bring them to the joints."""
        return self.terms if self.drive_matrix is None else replace(self, arm=replace(self.arm, couplings=())).terms

    @cached_property
    def drive_matrix(self) -> Array | None:
        """Matrix of what the position sensors see, as `drives.drive_matrix`."""
        return drives.drive_matrix(self.arm, [joint.sensor_on_motor for joint in self.joints])

    @cached_property
    def perturbed_arm(self) -> Arm:
        """Arm with the error motions of its joints on which terms act."""
        return self._with_error_motions(self.terms)

    def _with_error_motions(self, terms: Iterable[Term]) -> Arm:
        centres = {joint.name: joint.bearing.centre for joint in self.joints}
        springs = {joint.name: joint.bending.centre for joint in self.joints}
        return self.arm.with_error_motions((axis for term in terms for axis in term.axes), centres, springs)

    @cached_property
    def _observation(self) -> Observation:
        """Observation of the machine by the measurement of its calibration."""
        assert self.correction is not None  # guaranteed by the callers
        return self.correction.observation(replace(self, correction=None))

    def _with_changes(self, term: Term) -> Term:
        acts = []
        for act in term.acts:
            factor = math.prod(change.act_factor(term, act) for change in self.changes)
            acts.append(act if factor == 1.0 else replace(act, shape=act.shape.scaled(factor)))
        return term if tuple(acts) == term.acts else replace(term, acts=tuple(acts))

    @cached_property
    def price(self) -> float:
        """Price of the sensors, fitted. [cost units]"""
        return sum(self.prices.values())

    @cached_property
    def prices(self) -> dict[str, float]:
        """Parts of the price: encoders, mounting, placement, and what types cost once. [cost units]"""
        one_off = sum(joint.fitting.one_off for joint in self.joints)
        return {
            "encoders": sum(joint.encoders_price for joint in self.joints),
            "mounting": sum(joint.fitting.mounting for joint in self.joints),
            "placement": sum(joint.fitting.placement for joint in self.joints),
            **({"types, once": one_off} if one_off else {}),
        }

    @cached_property
    def moving(self) -> Machine:
        """Machine on a path: the motion decides the side of lost motion that a random approach leaves open."""
        joints = (replace(joint, approach="path") if joint.approach == "random" else joint for joint in self.joints)
        return replace(self, joints=tuple(joints))

    def evaluate(self, configurations: Configurations, cache: PostureCache | None = None) -> EvaluatedMachine:
        """Machine evaluated at configurations; as on a path where they have directions.

        Parameters
        ----------
        configurations : Configurations
        cache : PostureCache, optional
            Kinematics at their joint positions, worked out for other machines.

        Returns
        -------
        EvaluatedMachine
        """
        machine = self.moving if configurations.is_path else self
        return machine.at(configurations.joints, configurations.speeds, configurations.directions, cache)

    def at(
        self,
        q: ArrayLike,
        speeds: ArrayLike | None = None,
        directions: ArrayLike | None = None,
        cache: PostureCache | None = None,
    ) -> EvaluatedMachine:
        """Machine evaluated at joint positions: axes, kinematics, values of all shapes.

        Parameters
        ----------
        q : (poses, joints) [rad or m]
        speeds : (poses, joints), optional [rad/s or m/s]
            At rest where not given.
        directions : (poses, joints), optional
            Direction of the last motion of every joint, +1 or -1; 0 where not known.
        cache : PostureCache, optional
            Kinematics at these joint positions, worked out for other machines.

        Returns
        -------
        EvaluatedMachine
        """
        # axes that share a motion (a joint and its own link angle) share a column
        axis_by_motion: dict[int, Axis] = {}
        for term in self.terms:
            for axis in term.axes:
                axis_by_motion.setdefault(self.perturbed_arm.motion_index(axis), axis)
        for parameter in self.correction.parameters if self.correction is not None else ():
            for axis, _ in self.arm.moved_by(parameter.axis):
                axis_by_motion.setdefault(self.perturbed_arm.motion_index(axis), axis)
        motions = sorted(axis_by_motion)
        index = {motion: i for i, motion in enumerate(motions)}
        axes = tuple(axis_by_motion[motion] for motion in motions)
        states = self.states(q, speeds, directions)
        acts = tuple(
            tuple(
                (
                    act.coefficient,
                    index[self.perturbed_arm.motion_index(act.axis)],
                    act.shape.value(states.state_of_act(act)),
                )
                for act in term.acts
            )
            for term in self.terms
        )
        draw_acts = acts
        if self.correction is not None:
            acts = self._with_correction(self.correction, acts, self.correction.shape_values(states), index)
        arm = self.perturbed_arm
        postures = arm.postures(q, axes) if cache is None else cache.postures(arm, axes)
        return EvaluatedMachine(axes, postures, self.terms, acts, draw_acts)

    def _with_correction(self, correction: Correction, acts: Acts, shapes: Array, index: dict[int, int]) -> Acts:
        """Effect of every coefficient with the correction that it causes, one entry per axis."""
        moves = [
            (number, index[self.perturbed_arm.motion_index(axis)], factor)
            for number, parameter in enumerate(correction.parameters)
            for axis, factor in self.arm.moved_by(parameter.axis)
        ]
        rows, axis = [number for number, _, _ in moves], np.array([axis_number for _, axis_number, _ in moves])
        shapes = shapes[rows] * np.array([factor for _, _, factor in moves])[:, None]
        out = []
        for term, term_acts in zip(self.terms, acts, strict=True):
            response = self._observation.response.get(term.name)
            if response is None:  # a term that is drawn at every visit, or that of the measurement
                out.append(term_acts)
                continue
            values: dict[tuple[int, int], Array] = {}
            for a in np.unique(axis).tolist():
                correction_values = response[rows][axis == a].T @ shapes[axis == a]
                values.update({(k, a): -correction_values[k] for k in range(len(term.mean))})
            for k, a, value in term_acts:
                values[k, a] = values[k, a] + value if (k, a) in values else value
            out.append(tuple((k, a, value) for (k, a), value in sorted(values.items(), key=lambda entry: entry[0])))
        return tuple(out)

    def states(self, q: ArrayLike, speeds: ArrayLike | None = None, directions: ArrayLike | None = None) -> States:
        """States of joints and drives at joint positions, speeds and directions of shape (poses, joints).

        Parameters
        ----------
        q : (poses, joints) [rad or m]
        speeds : (poses, joints), optional [rad/s or m/s]
        directions : (poses, joints), optional
            Signs of the motion; 0 where at rest.

        Returns
        -------
        States
        """
        masses = self.masses_with_sensors
        states = drives.states_at(self.arm, masses, self.drive_matrix, q, speeds, directions)
        axes = [axis for joint in self.joints for axis in joint.bending.compliances(joint.name)]
        varies = masses is not None and masses.payload is not None and masses.payload.has_tolerances
        if masses is None or not (axes or varies):
            return states
        positions = np.atleast_2d(np.asarray(q, dtype=float))
        return bending.states_with_loads(states, self.perturbed_arm, masses, self.drive_matrix, positions, axes)

    @property
    def masses_with_sensors(self) -> Masses | None:
        """Masses with those of the sensors; None where the arm states none."""
        sensors = {joint.name: joint.sensor_mass for joint in self.joints if joint.sensor_mass}
        if self.masses is None or not sensors:
            return self.masses
        return replace(self.masses, sensors={**self.masses.sensors, **sensors})

    def survey(self) -> Array:
        """Joint positions spread evenly over the ranges, the lower ends first, shape (`SURVEY_COUNT`, joints).

        Source: Niederreiter, Random Number Generation and Quasi-Monte Carlo Methods (1992), 3.1: multiples of the
        square roots of primes.
        """
        step = np.sqrt(_primes(len(self.joints)))
        points = np.arange(SURVEY_COUNT)[:, None] * step % 1.0
        return np.asarray(self.arm.finite_lower + (self.arm.finite_upper - self.arm.finite_lower) * points)


def _primes(number: int) -> Array:
    """The first prime numbers."""
    primes: list[int] = []
    n = 2
    while len(primes) < number:
        if all(n % prime for prime in primes):
            primes.append(n)
        n += 1
    return np.array(primes, dtype=float)


Acts = tuple[tuple[tuple[int, int, Array], ...], ...]
"""For every term: number of a coefficient, number of the axis that it moves, value of the shape, shape (P,)."""


@dataclass(frozen=True, eq=False)
class EvaluatedMachine:
    """A machine at P poses, ready to be sampled or linearised.

    Parameters
    ----------
    axes : tuple of Axis
        Axes on which any term acts, base first.
    postures : Kinematics
    terms : tuple of Term
    acts : Acts
        Effect of an independent change of every coefficient.
    draw_acts : Acts
        Effect of the coefficients as they are drawn together: with a correction, its coefficients follow the others.
    """

    axes: tuple[Axis, ...]
    postures: Kinematics
    terms: tuple[Term, ...]
    acts: Acts
    draw_acts: Acts

    def gains(self, orientation: bool = False) -> Iterator[tuple[Term, Array]]:
        """Every term with the effect of its coefficients on the tool point in the base frame, shape (P, 3,
        coefficients), or on the orientation of the tool. [m or rad]"""
        column = self.postures.column
        if orientation:
            column = np.where(self.postures.rotary[:, None], self.postures.direction, 0.0)
        for term, acts in zip(self.terms, self.acts, strict=True):
            g = np.zeros((len(column), 3, len(term.mean)))
            for k, axis, value in acts:
                g[:, :, k] += column[:, axis] * value[:, None]
            yield term, g
