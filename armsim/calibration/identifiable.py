"""Identifiable parameters of an arm, and their relation to the error coefficients of its causes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np

from armsim.arrays import Array
from armsim.calibration.linear_population import LinearPopulation
from armsim.calibration.measured_machine import (
    INSTRUMENT,
    ONE_SESSION,
    TARGET,
    Layout,
    group_of,
    nuisance_axes,
    nuisance_name,
)
from armsim.errormodel.shapes import Constant, Proportional, Wave
from armsim.errormodel.terms import Axis, Role
from armsim.model.arm import Arm
from armsim.model.calibration_plan import Identified, Instrument
from armsim.model.correction import Parameter
from armsim.model.machine import Machine

PARAMETER_SCALES = {"length": 1e-3, "angle": 1e-3, "compliance": 1e-6}
"""Typical size of a parameter of each dimension, so that they are comparable: mm, mrad, urad or um per unit of load."""


def parameters_of(
    machine: Machine, instrument: Instrument, identify: Identified, layout: Layout = ONE_SESSION
) -> tuple[Parameter, ...]:
    """Parameters to identify, in the order of preference if the poses do not separate them.

    Parameters
    ----------
    machine : Machine
    instrument : Instrument
        States whether frame, target and scale are identified too.
    identify : Identified
        Groups of parameters of the arm.
    layout : Layout
        Sessions, and whether orientations are read.

    Returns
    -------
    tuple of Parameter
    """
    return tuple(_all_parameters(machine, instrument, identify, layout))


def _all_parameters(
    machine: Machine, instrument: Instrument, identify: Identified, layout: Layout
) -> Iterator[Parameter]:
    """Parameters of the measurement and of the arm that the calibration identifies."""
    for axis in nuisance_axes(instrument, layout):
        yield Parameter(nuisance_name(axis, layout), group_of(axis), axis, Constant())
    for joint in machine.joints if identify.zeros else ():
        yield Parameter(f"zero of {joint.name}", "zeros", Axis(joint.name), Constant())
    for joint in machine.joints if identify.stiffness else ():
        yield Parameter(f"compliance of {joint.name}", "stiffness", Axis(joint.name), Proportional("load"))
    for joint in machine.joints:
        orders_by_group = (
            (
                "output_orders",
                identify.output_orders,
                1.0 if joint.rotary else _order_of_travel(joint.travel),
            ),
            ("input_orders", identify.input_orders, abs(joint.transmission.motor_angle_per_motion)),
        )
        for group, orders, base in orders_by_group:
            axis_words = "turn" if group == "output_orders" else "motor turn"
            for order in orders.get(joint.name, ()):
                for function, name in (("cos", "cosine"), ("sin", "sine")):
                    shape = Wave(function, order * base)  # type: ignore[arg-type]
                    yield Parameter(
                        f"{name} of order {order} per {axis_words} of {joint.name}", group, Axis(joint.name), shape
                    )
    for axis in link_axes(machine.arm) if identify.links else ():
        yield Parameter(f"{axis.parameter} of link {axis.owner}", "links", axis, Constant())


def _order_of_travel(travel: float) -> float:
    return 2.0 * math.pi / travel


def link_axes(arm: Arm) -> list[Axis]:
    """Axes of the constant link parameters, from the base on."""
    return [axis for motion in arm.motions for axis in motion.axes if axis.role is Role.LINK]


def dimension_of(parameter: Parameter, arm: Arm) -> str:
    """Dimension of a parameter.

    Parameters
    ----------
    parameter : Parameter
    arm : Arm

    Returns
    -------
    str
        ``length``, ``angle`` or ``compliance``.
    """
    if isinstance(parameter.shape, Proportional):
        return "compliance"
    return "angle" if arm.motions[arm.motion_index(parameter.axis)].rotary else "length"


def unit_of(parameter: Parameter, arm: Arm) -> str:
    """SI unit of the value of a parameter.

    Parameters
    ----------
    parameter : Parameter
    arm : Arm

    Returns
    -------
    str
        ``m``, ``rad``, ``m/N`` or ``rad/(N m)``.
    """
    rotary = arm.motions[arm.motion_index(parameter.axis)].rotary
    if isinstance(parameter.shape, Proportional):
        return "rad/(N m)" if rotary else "m/N"
    return "rad" if rotary else "m"


def coefficients_to_parameters(linear: LinearPopulation, parameters: tuple[Parameter, ...], arm: Arm) -> Array:
    """Matrix from error coefficients to parameters; zero for pairs that are unrelated.

    The zero of a joint and the angle of its link are the same motion. A coefficient is assigned only to the first
    parameter of a motion.

    Parameters
    ----------
    linear : LinearPopulation
        States the order of the coefficients.
    parameters : tuple of Parameter
    arm : Arm

    Returns
    -------
    (parameters, coefficients)
    """
    out = np.zeros((len(parameters), len(linear.prior_covariance)))
    motions = [arm.motion_index(parameter.axis) for parameter in parameters]
    for term, term_slice in linear.terms_with_slices():
        for act in term.acts:
            if act.axis.role is Role.MOTION and act.axis.owner not in arm.names:  # a coupled axis follows its joint
                continue
            motion = arm.motion_index(act.axis)
            for j, parameter in enumerate(parameters):
                if motions[j] == motion and (gain := act.multiple_of(parameter.axis, parameter.shape)) is not None:
                    out[j, term_slice.start + act.coefficient] += gain
                    break
    return out


def controller_numbers(parameters: tuple[Parameter, ...]) -> list[int]:
    """Indices of the parameters that the controller uses: those of the arm."""
    return [n for n, parameter in enumerate(parameters) if parameter.group not in (INSTRUMENT, TARGET)]


def numbers_by_group(parameters: tuple[Parameter, ...]) -> Mapping[str, list[int]]:
    """Indices of the parameters of every group."""
    out: dict[str, list[int]] = {}
    for n, parameter in enumerate(parameters):
        out.setdefault(parameter.group, []).append(n)
    return out
