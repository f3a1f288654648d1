"""Document of the identified parameters of an arm, stated with its corrected rows."""

from __future__ import annotations

import math
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from armsim.arrays import Array
from armsim.documents.fields import Document, QuantityWithKind, Word, limited_list, number, quantity_with_kind
from armsim.errormodel.shapes import Constant, Proportional, Shape, Wave
from armsim.errormodel.terms import Axis, Role
from armsim.model.arm import Arm
from armsim.model.correction import Parameter
from armsim.model.identification import Identification
from armsim.sources import KeyPath, Source

MOST_PARAMETERS = 500
"""Maximum number of parameters: their correlations form a matrix."""
WAVES = {"cosine": "cos", "sine": "sin"}
ZERO, COMPLIANCE = "zero", "compliance"
CORRELATION_TOLERANCE = 1e-6
"""Tolerance of the correlation matrix, whose rounded entries may not be positive definite."""
SIZE_KINDS = ("angle", "length", "angular compliance", "compliance")
Size = Annotated[Any, quantity_with_kind(*SIZE_KINDS)]
Std = Annotated[Any, quantity_with_kind(*SIZE_KINDS, least=0.0)]
Order = Annotated[Any, number(lambda x: 0.0 < x <= 1e6, "periods per turn of the joint, more than 0")]
Correlation = Annotated[Any, number(lambda x: abs(x) <= 1.0, "a correlation from -1 to 1")]


class IdentifiedParameter(Document):
    """Identified parameter: its change, already included in the rows, and its standard uncertainty.

    ``zero`` of a joint, its ``compliance`` (twist per load of gravity), ``cosine`` and ``sine`` of its error wave
    (periods per turn; ``period`` of a slide), or a constant of its link.
    """

    joint: Word
    parameter: Word
    order: Order | None = None
    period: Annotated[Any, quantity_with_kind("length", least=0.0, above=True)] | None = None
    value: Size
    std: Std


class IdentifiedDocument(Document):
    """Identified parameters; ``correlations`` holds the lower triangle, a row per parameter after the first."""

    parameters: Annotated[
        list[IdentifiedParameter], *limited_list(MOST_PARAMETERS, "no session identifies more"), Field(min_length=1)
    ]
    correlations: list[list[Correlation]] | None = None


def build_identification(document: IdentifiedDocument, arm: Arm, source: Source, key_path: KeyPath) -> Identification:
    """Build the identification of an arm.

    Raises
    ------
    InputError
        A joint or parameter that the arm has not, one twice, a unit that does not fit, or correlations of no
        distribution.
    """
    parameters: list[Parameter] = []
    rows = document.parameters
    for n, row in enumerate(rows):
        row_path = (*key_path, "parameters", n)
        parameter = _parameter(row, arm, source, row_path)
        if any((other.axis, other.shape) == (parameter.axis, parameter.shape) for other in parameters):
            raise source.error((*row_path, "parameter"), f"{parameter.name} twice", "each once")
        rotary = arm.motions[arm.motion_index(parameter.axis)].rotary
        for key, size in (("value", row.value), ("std", row.std)):
            _check_kind(size, parameter, rotary, source, (*row_path, key))
        parameters.append(parameter)
    std = np.array([row.std.value for row in rows])
    correlation = _correlation(document.correlations, len(rows), source, (*key_path, "correlations"))
    values = np.array([row.value.value for row in rows])
    return Identification(tuple(parameters), values, correlation * np.outer(std, std))


def _parameter(row: IdentifiedParameter, arm: Arm, source: Source, key_path: KeyPath) -> Parameter:
    links = [axis for motion in arm.motions for axis in motion.axes if axis.role is Role.LINK]
    owners = list(dict.fromkeys([*arm.names, *(axis.owner for axis in links)]))
    if row.joint not in owners:
        raise source.error((*key_path, "joint"), f"no joint {row.joint!r}", ", ".join(owners))
    arm_joint = next((joint for joint in arm.joints if joint.name == row.joint), None)
    present_keys = [key for key in ("order", "period") if getattr(row, key) is not None]
    if row.parameter in WAVES and arm_joint is not None:
        key = "order" if arm_joint.revolute else "period"
        period: Any = row.period
        if present_keys != [key]:
            actual = f"{row.parameter} of {row.joint} with {', '.join(present_keys) or 'neither order nor period'}"
            raise source.error((*key_path, *present_keys[:1]), actual, f"{key}:")
        order = float(row.order or 0.0) if arm_joint.revolute else 2.0 * math.pi / period.value
        shape: Shape = Wave(WAVES[row.parameter], order)  # type: ignore[arg-type]
        return Parameter(f"{row.parameter} of order {order:g} of {row.joint}", "waves", Axis(row.joint), shape)
    if present_keys:
        raise source.error(
            (*key_path, present_keys[0]), f"{present_keys[0]} of {row.parameter}", "of cosine and sine alone"
        )
    if row.parameter == ZERO and arm_joint is not None:
        return Parameter(f"zero of {row.joint}", "zeros", Axis(row.joint), Constant())
    if row.parameter == COMPLIANCE and arm_joint is not None:
        return Parameter(f"compliance of {row.joint}", "stiffness", Axis(row.joint), Proportional("load"))
    axis = next((axis for axis in links if (axis.owner, axis.parameter) == (row.joint, row.parameter)), None)
    if axis is None:
        parameter_names = [axis.parameter for axis in links if axis.owner == row.joint]
        accepted = ", ".join([*((ZERO, COMPLIANCE, *WAVES) if arm_joint is not None else ()), *parameter_names])
        raise source.error((*key_path, "parameter"), f"{row.joint} has no {row.parameter!r}", accepted)
    return Parameter(f"{axis.parameter} of link {axis.owner}", "links", axis, Constant())


def _check_kind(size: QuantityWithKind, parameter: Parameter, rotary: bool, source: Source, key_path: KeyPath) -> None:
    kind = "angle" if rotary else "length"
    if isinstance(parameter.shape, Proportional):
        kind = "angular compliance" if rotary else "compliance"
    if size.kind != kind:
        raise source.error(key_path, f"{size.kind} for {parameter.name}", f"a number with a unit of {kind}")


def _correlation(rows: list[list[float]] | None, count: int, source: Source, key_path: KeyPath) -> Array:
    out = np.eye(count)
    if rows is None:
        return out
    if [len(row) for row in rows] != list(range(1, count)):
        actual = f"rows of {', '.join(str(len(row)) for row in rows[:6])}"
        raise source.error(key_path, actual, f"{count - 1} rows, of 1 to {count - 1} numbers: below the diagonal")
    for n, row in enumerate(rows, start=1):
        out[n, :n] = out[:n, n] = row
    values, vectors = np.linalg.eigh(out)
    if values[0] < -CORRELATION_TOLERANCE * count:
        raise source.error(
            key_path, "correlations that no parameters can have together", "a positive semidefinite matrix"
        )
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)
