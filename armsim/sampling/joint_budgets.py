"""Error budgets of the joints: size of every term, and their total error curve."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from armsim.arrays import Array
from armsim.errormodel.shapes import State, Wave
from armsim.errormodel.terms import Axis, Role, Term
from armsim.model.drives import drive_columns
from armsim.model.joint import Joint
from armsim.model.kinematics import DEFLECTIONS, ERROR_MOTIONS
from armsim.model.machine import Machine
from armsim.results import ErrorMotionBudget, JointBudget, JointCurve, TermBudget
from armsim.run_options import CheckStop, never_stop
from armsim.sampling.joint_curves import joint_curve

NO_CURVE = JointCurve((), (), (), (), (), ())


def joint_budgets(
    machine: Machine, seed: int, speeds: Array, check_stop: CheckStop = never_stop
) -> dict[str, JointBudget]:
    """Error budgets of all joints.

    Parameters
    ----------
    machine : Machine
    seed : int
        Seed of the drawn unit (simulated arm).
    speeds : (joints,) [rad/s or m/s]
        Speeds at which motion-dependent errors are evaluated.
    check_stop : callable
        Called before the curve of every joint, as `CheckStop`.

    Returns
    -------
    dict of joint to JointBudget
    """
    budgets = joint_totals(machine, speeds)
    unit_terms = [term for term in machine.drive_terms if term.life == "unit"]
    for number, (name, budget) in enumerate(budgets.items()):
        check_stop()
        curve = joint_curve(machine, number, _terms_on_axis(unit_terms, Axis(name)), Axis(name), seed)
        budgets[name] = replace(budget, curve=curve)
    return budgets


def joint_totals(machine: Machine, speeds: Array) -> dict[str, JointBudget]:
    """Error budgets of all joints as `joint_budgets`, but without the curves, which take longest.

    Parameters
    ----------
    machine : Machine
    speeds : (joints,) [rad/s or m/s]

    Returns
    -------
    dict of joint to JointBudget
    """
    survey = machine.survey()
    states = machine.states(survey, np.broadcast_to(speeds, survey.shape))
    error_motions = [axis for term in machine.terms for axis in term.axes if axis.role is Role.ERROR_MOTION]
    error_motion_axes, joint_axes = list(dict.fromkeys(error_motions)), [Axis(name) for name in machine.arm.names]
    columns = drive_columns(machine.arm.postures(survey).column, machine.drive_matrix)
    error_motion_columns = machine.perturbed_arm.postures(survey, error_motion_axes).column
    sizes = np.linalg.norm(np.concatenate([columns, error_motion_columns], axis=1), axis=2).max(axis=0)
    levers = dict(zip([*joint_axes, *error_motion_axes], sizes.tolist(), strict=True))
    return {joint.name: _joint_budget(machine, joint, states.drives[joint.name], levers) for joint in machine.joints}


def sensor_errors(machine: Machine) -> dict[str, float]:
    """Repeatable error of the sensor that closes the position loop of each joint, at rest, mounting included.

    Parameters
    ----------
    machine : Machine

    Returns
    -------
    dict of joint to float
        Root mean square over arms and positions, at the joint. [rad or m]
    """
    states = machine.states(machine.survey())
    return {
        joint.name: combined_rms(
            [term for term in joint.sensor_terms() if term.life == "unit"], Axis(joint.name), states.drives[joint.name]
        )
        for joint in machine.joints
    }


def link_budget(machine: Machine) -> tuple[TermBudget, ...]:
    """Terms of constants of links and of frames."""
    return tuple(
        term_budget(term, axis, State.at_rest(np.zeros(1)))
        for term in machine.terms
        for axis in term.axes
        if not axis.belongs_to_joint
    )


def _terms_on_axis(terms: Sequence[Term], axis: Axis) -> list[Term]:
    """Terms that move an axis."""
    return [term for term in terms if axis in term.axes]


def _joint_budget(machine: Machine, joint: Joint, state: State, levers: Mapping[Axis, float]) -> JointBudget:
    """Error budget of one joint."""
    axis = Axis(joint.name)
    terms = _terms_on_axis(machine.drive_terms, axis)
    budgets = tuple(term_budget(term, axis, state) for term in terms)
    error_motions = tuple(
        ErrorMotionBudget(
            error_motion_axis.parameter,
            _unit_of(error_motion_axis),
            levers[error_motion_axis],
            term_budget(term, error_motion_axis, state),
        )
        for term in machine.terms
        for error_motion_axis in term.axes
        if error_motion_axis.role is Role.ERROR_MOTION and error_motion_axis.owner == joint.name
    )

    def rms_and_limit(life: str) -> tuple[float, float]:
        terms_of_life = [term for term in terms if term.life == life]
        return combined_rms(terms_of_life, axis, state), sum(budget.limit for budget in budgets if budget.life == life)

    (rms_accuracy, limit_accuracy), (rms_repeatability, limit_repeatability) = (
        rms_and_limit("unit"),
        rms_and_limit("visit"),
    )
    return JointBudget(
        unit="rad" if joint.rotary else "m",
        encoder=joint.encoder.name,
        placement=joint.placement,
        resolution_bits=joint.resolution_bits,
        step=joint.step,
        lever_arm=levers[axis],
        contrast=joint.contrast_loss**-0.5,
        terms=budgets,
        rms=math.hypot(rms_accuracy, rms_repeatability),
        rms_accuracy=rms_accuracy,
        rms_repeatability=rms_repeatability,
        limit=limit_accuracy + limit_repeatability,
        limit_accuracy=limit_accuracy,
        limit_repeatability=limit_repeatability,
        curve=NO_CURVE,
        error_motions=error_motions,
        price=joint.price,
    )


def combined_rms(terms: Sequence[Term], axis: Axis, state: State) -> float:
    """Root mean square of terms together on one axis: their means add as such, their scatter as squares.

    Parameters
    ----------
    terms : sequence of Term
    axis : Axis
    state : State
        States over which the mean square is taken.

    Returns
    -------
    float [rad or m]
    """
    mean = sum((term.mean_error(axis, state) for term in terms), np.zeros(len(state.position)))
    return math.sqrt(float(np.mean(mean**2)) + sum(term.variance(axis, state) for term in terms))


def _unit_of(error_motion: Axis) -> str:
    """Unit of an error motion: "rad" or "m"."""
    return "rad" if {**ERROR_MOTIONS, **DEFLECTIONS}[error_motion.parameter][1] else "m"


def term_budget(term: Term, axis: Axis, state: State) -> TermBudget:
    """Size of one term on one axis.

    Parameters
    ----------
    term : Term
    axis : Axis
    state : State
        States at which the term is evaluated.

    Returns
    -------
    TermBudget [rad or m]
    """
    shapes = [act.shape for act in term.acts if act.axis == axis]
    orders = tuple(dict.fromkeys(abs(shape.order) for shape in shapes if isinstance(shape, Wave)))
    return TermBudget(
        name=term.name if axis.role is Role.MOTION else f"{axis}/{term.name.rpartition('/')[2]}",
        cause=term.cause.name,
        life=term.life,
        shape=", ".join(dict.fromkeys(str(shape) for shape in shapes)),
        orders=orders,
        rms=math.sqrt(term.mean_square(axis, state)),
        limit=term.largest_error(axis, state),
    )
