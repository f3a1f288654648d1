"""Optional columns of a reading besides its coordinates: uncertainty, temperature, orientation of the probe."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from armsim.arrays import Array
from armsim.documents.csv_columns import Columns

AXES = ("x", "y", "z")
COVERAGE = 2.0
"""Factor of an expanded uncertainty of 95 %, as U95 is stated. Source: JCGM 100:2008, G.6.6."""
STANDARD_COLUMNS, EXPANDED_COLUMNS = tuple(f"u {axis}" for axis in AXES), tuple(f"U95 {axis}" for axis in AXES)
QUATERNION_COLUMNS, ROTATION_VECTOR_COLUMNS = ("qw", "qx", "qy", "qz"), ("rx", "ry", "rz")
LENGTH_TOLERANCE = 1e-3
"""By how much a quaternion may miss the length of one: it is rounded."""
STATE_STEP = 1.0
"""Difference of temperature from which readings of a pose are not visits of the same state. [K]"""
COLUMN_KINDS: dict[str, tuple[str, ...]] = {
    "temperature": ("absolute temperature",),
    **dict.fromkeys(("u", *STANDARD_COLUMNS, "U95", *EXPANDED_COLUMNS), ("length",)),
    **dict.fromkeys(QUATERNION_COLUMNS, ("number",)),
    **dict.fromkeys(ROTATION_VECTOR_COLUMNS, ("angle",)),
}
"""Kinds of quantity of the columns."""


def uncertainties(table: Columns) -> Array | None:
    """Standard uncertainties of the readings along the axes of the instrument, shape (rows, 3) [m]; None if not stated.

    Raises
    ------
    InputError
        Two statements of the same, one axis without the others, or a reading without uncertainty.
    """
    columns = [
        names
        for names in (("u",), STANDARD_COLUMNS, ("U95",), EXPANDED_COLUMNS)
        if any(name in table.numbers for name in names)
    ]
    if not columns:
        return None
    if len(columns) > 1:
        actual = " and ".join(next(name for name in names if name in table.numbers) for names in columns)
        raise table.fault(None, "header", f"two statements of the uncertainty: {actual}", "one of them")
    values = _columns(table, columns[0])
    row, column = np.unravel_index(int(np.argmin(values)), values.shape)
    if values[row, column] <= 0.0:
        raise table.fault(int(row), columns[0][column], "a reading without uncertainty", "more than 0")
    factor = COVERAGE if columns[0][0].startswith("U95") else 1.0
    return np.broadcast_to(values / factor, (len(values), 3)).copy()


def orientations(table: Columns) -> Array | None:
    """Rotations from the probe to the instrument, shape (rows, 3, 3); None if not stated.

    Quaternions have the scalar first; rx, ry, rz are a rotation vector: axis times angle.

    Raises
    ------
    InputError
        Both, a component without the others, or a quaternion whose length is not one.
    """
    from scipy.spatial.transform import Rotation

    columns = [
        names for names in (QUATERNION_COLUMNS, ROTATION_VECTOR_COLUMNS) if any(name in table.numbers for name in names)
    ]
    if not columns:
        return None
    if len(columns) > 1:
        raise table.fault(None, "header", "a quaternion and a rotation vector", "one of them")
    values = _columns(table, columns[0])
    if columns[0] == ROTATION_VECTOR_COLUMNS:
        return np.asarray(Rotation.from_rotvec(values).as_matrix())
    length = np.linalg.norm(values, axis=1)
    row = int(np.argmax(np.abs(length - 1.0)))
    if abs(length[row] - 1.0) > LENGTH_TOLERANCE:
        raise table.fault(row, "qw", f"a quaternion of length {length[row]:.6g}", "qw, qx, qy, qz of length 1")
    return np.asarray(Rotation.from_quat(np.roll(values, -1, axis=1)).as_matrix())


def thermal_states(temperatures: Array, groups: Sequence[object]) -> list[int]:
    """Number of the thermal state of every row within its group: a new one where the next temperature is far away.

    Parameters
    ----------
    temperatures : (rows,) [K]
    groups : sequence
        Group of every row.

    Returns
    -------
    list of int
    """
    out = np.zeros(len(temperatures), dtype=np.int64)
    rows_of: dict[object, list[int]] = {}
    for row, group in enumerate(groups):
        rows_of.setdefault(group, []).append(row)
    for rows in rows_of.values():
        order = np.array(rows)[np.argsort(temperatures[rows], kind="stable")]
        out[order[1:]] = np.cumsum(np.diff(temperatures[order]) > STATE_STEP)
    numbers: list[int] = out.tolist()
    return numbers


def _columns(table: Columns, names: tuple[str, ...]) -> Array:
    """Columns that only mean something together, shape (rows, columns)."""
    for name in names:
        if name not in table.numbers:
            raise table.fault(None, "header", f"no column {name!r}", f"all of {', '.join(names)}")
    return np.stack([table.numbers[name] for name in names], axis=1)
