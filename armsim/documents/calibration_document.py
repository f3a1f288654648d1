"""The calibration of a scenario: instrument, measured poses, identified parameters."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import numpy as np

from armsim.documents.csv_columns import read_columns
from armsim.documents.fields import Check, FilePath, count, invalid, quantity
from armsim.documents.from_spec import Context, DocumentType, build, document_type, extend_document
from armsim.model.arm import Arm
from armsim.model.calibration_plan import MOST_CANDIDATES, Calibration, Identified, Instrument, MeasuredPoses
from armsim.sources import KeyPath, Source
from armsim.tasks import Task

HIGHEST_ORDER = 100
_ORDER = count(1, HIGHEST_ORDER, "higher ones are too many for the poses that are measured")
_SIZE = quantity("length", least=0.0)


def _standard_deviations(value: Any) -> tuple[float, float, float]:
    """Read one size for all axes, or one per axis. [m]"""
    if not isinstance(value, list):
        size = _SIZE.read(value)
        return size, size, size
    if len(value) != 3:
        raise invalid(f"{len(value)} of them", "one size, or three: along x, y, z")
    x, y, z = (_SIZE.read(item) for item in value)
    return x, y, z


def _orders(value: Any) -> dict[str, tuple[int, ...]]:
    """Read orders: one list for all joints (under the empty name), or one list per joint."""
    if isinstance(value, dict):
        return {str(name): _order_list(joint_orders) for name, joint_orders in value.items()}
    return {"": _order_list(value)}


def _order_list(value: Any) -> tuple[int, ...]:
    if not isinstance(value, list):
        raise invalid(f"{value!r:.60} is not a list", "a list of whole numbers, such as [1, 2], or one for every joint")
    orders = tuple(_ORDER.read(item) for item in value)
    if len(set(orders)) < len(orders):
        raise invalid("an order is listed twice", "each order once")
    return orders


_LIST = {"type": "array", "items": _ORDER.schema}
ORDERS_CHECK = Check(_orders, {"anyOf": [_LIST, {"type": "object", "additionalProperties": _LIST}]})
STD_CHECK = Check(
    _standard_deviations,
    {"anyOf": [_SIZE.schema, {"type": "array", "items": _SIZE.schema, "minItems": 3, "maxItems": 3}]},
)
Orders = Annotated[Any, ORDERS_CHECK]

InstrumentDocument = extend_document(Instrument, "InstrumentDocument", {"std": (Annotated[Any, STD_CHECK], ...)})
MeasuredPosesDocument = extend_document(MeasuredPoses, "MeasuredPosesDocument", {"file": (FilePath | None, None)})
IdentifyDocument = extend_document(
    Identified, "IdentifyDocument", {"output_orders": (Orders, None), "input_orders": (Orders, None)}
)
CalibrationDocument = extend_document(
    Calibration,
    "CalibrationDocument",
    {
        "instrument": (Annotated[Any, DocumentType(InstrumentDocument)], ...),
        "poses": (Annotated[Any, DocumentType(MeasuredPosesDocument)], None),
        "identify": (Annotated[Any, DocumentType(IdentifyDocument)], None),
    },
)


def build_calibration(
    document: Any, arm: Arm, tasks: tuple[Task, ...], has_masses: bool, source: Source
) -> Calibration:
    """Build the calibration of a scenario.

    Parameters
    ----------
    document : CalibrationDocument
    arm : Arm
    tasks : tuple of Task
        Tasks whose poses may be measured.
    has_masses : bool
        Whether masses load the joints.
    source : Source

    Raises
    ------
    InputError
        An unknown joint or task, a faulty file, or nothing to identify.
    """
    key_path: KeyPath = ("calibration",)
    context = Context(source, key_path, "rotation", "of the calibration")
    instrument = build(Instrument, document.instrument, context.child("instrument"), std=document.instrument.std)
    if not any(instrument.normal):
        raise source.error((*key_path, "instrument", "normal"), "no direction", "three numbers, such as [0, 0, 1]")
    poses = (
        MeasuredPoses()
        if document.poses is None
        else _poses(document.poses, arm, tasks, source, context.child("poses"))
    )
    identify_context = context.child("identify")
    identified = document_type(Identified)() if document.identify is None else document.identify
    orders = {
        name: _orders_by_joint(getattr(identified, name, None) or {}, arm, source, (*identify_context.key_path, name))
        for name in ("output_orders", "input_orders")
    }
    identify = build(Identified, identified, identify_context, **orders)
    if identify.stiffness and not has_masses:
        raise source.error(
            (*identify_context.key_path, "stiffness"), "no masses load the joints", "masses: in the document of the arm"
        )
    is_empty = not (identify.zeros or identify.links or identify.stiffness or any(orders.values()))
    if is_empty:
        raise source.error(
            identify_context.key_path, "nothing to identify", "zeros, links, stiffness, output_orders, input_orders"
        )
    if not any(instrument.std) and not instrument.std_per_distance:
        raise source.error((*key_path, "instrument", "std"), "an instrument without any error", "more than 0")
    return build(Calibration, document, context, instrument=instrument, poses=poses, identify=identify)


def _poses(document: Any, arm: Arm, tasks: tuple[Task, ...], source: Source, context: Context) -> MeasuredPoses:
    keys = [name for name in ("task", "file", "candidates") if getattr(document, name) is not None]
    if len(keys) > 1:
        raise source.error((*context.key_path, keys[1]), f"{keys[1]} beside {keys[0]}", "one of task, file, candidates")
    task_names = [task.name for task in tasks]
    if document.task is not None and document.task not in task_names:
        raise source.error((*context.key_path, "task"), f"no task {document.task!r}", ", ".join(task_names))
    if document.file is None:
        return build(MeasuredPoses, document, context)
    joints = read_joint_positions(source.resolve_path((*context.key_path, "file"), document.file), arm)
    return build(MeasuredPoses, document, context, file=joints)


def read_joint_positions(path: Path, arm: Arm) -> tuple[tuple[float, ...], ...]:
    """Read joint positions from a CSV file: one column with its unit per joint; a column ``pose`` is ignored.

    Returns
    -------
    tuple of (joints,) [rad or m]
        One entry per pose.

    Raises
    ------
    InputError
        With file and line.
    """
    kinds = {joint.name: ("angle",) if joint.revolute else ("length",) for joint in arm.joints}
    columns = read_columns(path, kinds, ("pose",), arm.names)
    rows = np.stack([columns.numbers[name] for name in arm.names], axis=1)
    if not 1 <= len(rows) <= MOST_CANDIDATES:
        raise columns.fault(None, "", f"{len(rows)} poses", f"from 1 to {MOST_CANDIDATES}")
    positions: dict[tuple[float, ...], int] = {}
    for n, row in enumerate(map(tuple, rows.tolist())):
        for joint, value in zip(arm.joints, row, strict=True):
            if not joint.in_range(value):
                raise columns.fault(n, joint.name, "outside the range of the joint", "a position in its range")
        if positions.setdefault(row, n) != n:
            raise columns.fault(n, "", "a pose twice", "each once")
    return tuple(positions)


def _orders_by_joint(
    orders: dict[str, tuple[int, ...]], arm: Arm, source: Source, key_path: KeyPath
) -> dict[str, tuple[int, ...]]:
    if "" in orders:
        return dict.fromkeys(arm.names, orders[""])
    for name in orders:
        if name not in arm.names:
            raise source.error((*key_path, name), "the arm has no such joint", ", ".join(arm.names))
    return {name: joint_orders for name, joint_orders in orders.items() if joint_orders}
