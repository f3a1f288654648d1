"""Identified parameters of an arm, as values for its document."""

from __future__ import annotations

import numpy as np

from armsim.arrays import Array
from armsim.calibration.estimate import Estimate
from armsim.calibration.identifiable import parameters_of
from armsim.errormodel.shapes import Constant, Proportional, Wave
from armsim.model.calibration_plan import Calibration, Instrument
from armsim.model.correction import Parameter
from armsim.model.identification import Identification
from armsim.model.machine import Machine


def identification_of(machine: Machine, calibration: Calibration, estimate: Estimate, values: Array) -> Identification:
    """Identified parameters of an arm, together with those that an earlier measurement identified.

    A parameter that is not separately identifiable stays at its nominal value; identified ones absorb its effect.
    Parameters that only the earlier measurement identified are independent of the present ones. The controller already
    compensates a wave or a compliance from the earlier measurement, so the present value is added to it.

    Parameters
    ----------
    machine : Machine
    calibration : Calibration
    estimate : Estimate
    values : (K,)
        Estimated values of its parameters. [rad, m, rad/(N m) or m/N]

    Returns
    -------
    Identification
    """
    numbers = estimate.controller_numbers
    parameters = [estimate.parameters[n] for n in numbers]
    absorbed = _absorbed(machine, calibration, estimate, parameters)
    earlier = machine.identification
    before = {} if earlier is None else {
        _motion_and_shape(machine, parameter): n for n, parameter in enumerate(earlier.parameters)
    }  # fmt: skip
    identified_parameters = [*parameters, *absorbed]
    new_values = [values[n] for n in numbers] + [0.0] * len(absorbed)
    for n, parameter in enumerate(identified_parameters):
        compensated = not isinstance(parameter.shape, Constant)
        if earlier is not None and compensated and (key := _motion_and_shape(machine, parameter)) in before:
            new_values[n] += float(earlier.values[before[key]])
    keys = {_motion_and_shape(machine, parameter) for parameter in identified_parameters}
    remaining = [] if earlier is None else [n for key, n in before.items() if key not in keys]
    size, count = len(identified_parameters) + len(remaining), len(numbers)
    covariance = np.zeros((size, size))
    covariance[:count, :count] = estimate.covariance[np.ix_(numbers, numbers)]
    if earlier is not None:
        covariance[len(identified_parameters) :, len(identified_parameters) :] = earlier.covariance[
            np.ix_(remaining, remaining)
        ]
        identified_parameters += [earlier.parameters[n] for n in remaining]
        # the kinematic rows of the arm already include its zeros and links
        in_rows = [isinstance(earlier.parameters[n].shape, Constant) for n in remaining]
        new_values += [
            0.0 if in_row else float(earlier.values[n]) for n, in_row in zip(remaining, in_rows, strict=True)
        ]
    return Identification(tuple(identified_parameters), np.array(new_values, dtype=float), covariance)


def _motion_and_shape(machine: Machine, parameter: Parameter) -> tuple[int, str]:
    """Motion and shape of a parameter: the same for the angle of a link and the zero of its joint."""
    shape = parameter.shape
    shape_name = f"{shape.function} {abs(shape.order):.9g}" if isinstance(shape, Wave) else type(shape).__name__
    return machine.arm.motion_index(parameter.axis), shape_name


def _absorbed(
    machine: Machine, calibration: Calibration, estimate: Estimate, parameters: list[Parameter]
) -> list[Parameter]:
    """Parameters that are not separately identifiable and whose effect identified parameters absorb."""
    if estimate.uses_prior:
        return []
    parameter_by_name = {
        parameter.name: parameter for parameter in parameters_of(machine, Instrument(), calibration.identify)
    }
    names, keys = (
        {parameter.name for parameter in parameters},
        {_motion_and_shape(machine, parameter) for parameter in parameters},
    )
    out = []
    for row in estimate.confounded:
        if row.name not in parameter_by_name:  # a parameter of the instrument
            continue
        parameter = parameter_by_name[row.name]
        expressible = bool(row.combination) and all(name in names for name, _ in row.combination)
        if (
            expressible
            and not isinstance(parameter.shape, Proportional)
            and (key := _motion_and_shape(machine, parameter)) not in keys
        ):
            keys.add(key)
            out.append(parameter)
    return out
