"""Results at the poses of a task as a table of pandas, or a dataset of xarray."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from armsim.arrays import Array
from armsim.errors import RunError
from armsim.results.pose_table import SHARES, PoseTable
from armsim.results.poses import BIAS
from armsim.results.summary import Grid

if TYPE_CHECKING:
    import pandas
    import xarray

ENDINGS: dict[tuple[int, ...], tuple[str, ...]] = {
    (): ("",),
    (2,): (".low", ".high"),
    (3,): (".x", ".y", ".z"),
    (3, 3): tuple(f".{row}{column}" for row in "xyz" for column in "xyz"),
}
"""Endings of the names of columns by the shape of a figure: an interval, a vector, a matrix."""


def data_frame(table: PoseTable, joints: Sequence[str] = ()) -> pandas.DataFrame:
    """Table of pandas with a row per pose.

    Parameters
    ----------
    table : PoseTable
    joints : sequence of str
        Names of the joints; numbers from 1 where there are none.

    Returns
    -------
    pandas.DataFrame
        Indexed by the name of the pose; a column of floats per figure, named as in ``results.json`` (``error.p95``,
        ``position.x``, ``error.p95_interval.low``, ``error.covariance.xy``), in SI units, nan where undefined;
        ``joints.NAME`` [rad or m]; ``contributions.OWNER.CAUSE``, the shares of the mean square error, bias included.
        The comparison of first order and Monte Carlo (``first_order.validation``) is left out.

    Raises
    ------
    RunError
        pandas is not installed.
    """
    try:
        import pandas
    except ImportError as error:
        raise RunError("a table of pandas needs the package 'pandas': pip install 'armsim[dataframe]'") from error
    columns = dict(_columns(table.rows))
    names = joints or [str(number) for number in range(1, table.rows["joints"].shape[1] + 1)]
    columns |= {f"joints.{name}": values for name, values in zip(names, table.rows["joints"].T, strict=True)}
    shares = zip(table.share_names, table.contributions.T, strict=True)
    columns |= {f"contributions.{owner}.{cause}": values for (owner, cause), values in shares if (owner, cause) != BIAS}
    return pandas.DataFrame(columns, index=pandas.Index(table.names, name="pose"))


def data_set(table: PoseTable, joints: Sequence[str] = (), grid: Grid | None = None) -> xarray.Dataset:
    """Dataset of xarray with the variables of `data_frame`.

    Parameters
    ----------
    table : PoseTable
    joints : sequence of str
        Names of the joints; numbers from 1 where there are none.
    grid : Grid, optional
        Cells of the poses.

    Returns
    -------
    xarray.Dataset
        Over the cells of a slice or a volume: dimensions are its directions, such as ``z`` and ``x`` [m], nan where a
        cell cannot be reached. Without a grid over ``pose``, by name.

    Raises
    ------
    RunError
        xarray or pandas is not installed.
    """
    try:
        import xarray
    except ImportError as error:
        raise RunError("a dataset needs the package 'xarray': pip install 'armsim[xarray]'") from error
    frame = data_frame(table, joints)
    if grid is None:
        return xarray.Dataset.from_dataframe(frame)
    directions = tuple(grid.axes[::-1])
    variables = {name: (directions, grid.cells(values.to_numpy())) for name, values in frame.items()}
    return xarray.Dataset(variables, coords=dict(zip(grid.axes, map(list, grid.centres), strict=True)))


def _columns(rows: Any, path: str = "") -> Iterator[tuple[str, Array]]:
    """Names and values, each of shape (poses,), of the numbers in records, and in the records within them."""
    for name in rows.dtype.names:
        values, column_name = rows[name], f"{path}{name}"
        if name in ("joints", "validation", *SHARES):
            continue
        if values.dtype.names is not None:
            yield from _columns(values, f"{column_name}.")
        else:
            flat = np.reshape(values, (len(values), -1))
            for number, ending in enumerate(ENDINGS[values.shape[1:]]):
                yield f"{column_name}{ending}", flat[:, number]
