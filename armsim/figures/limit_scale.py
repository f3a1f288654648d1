"""Colours of a map relative to the limit: dark far below it, bright at it, red and hatched above."""

from __future__ import annotations

from typing import NamedTuple

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colorbar import Colorbar
from matplotlib.colors import Colormap, LinearSegmentedColormap, ListedColormap, Normalize, TwoSlopeNorm
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path
from numpy.typing import NDArray

from armsim.arrays import Array
from armsim.figures import style

ABOVE = ("#e2857b", "#6d0f1c")
"""Colours of values just above the limit, and of the largest."""
HATCH = "////"
_STEPS = 256


def hatch_cells(axes: Axes, x: Array, y: Array, marked: NDArray[np.bool_], hatch: str = HATCH) -> None:
    """Hatch the marked cells of a map, so that they can be distinguished in greyscale.

    Parameters
    ----------
    axes : Axes
    x, y : (columns + 1,), (rows + 1,)
        Edges of the cells.
    marked : (rows, columns) of bool
    hatch : str
    """
    rows, columns = np.nonzero(marked)
    if not len(rows):
        return
    x0, x1, y0, y1 = x[columns], x[columns + 1], y[rows], y[rows + 1]
    corners = np.stack([x0, y0, x1, y0, x1, y1, x0, y1, x0, y0], axis=-1).reshape(-1, 2)
    codes = np.tile([Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY], len(rows))
    look = {"facecolor": "none", "edgecolor": (1.0, 1.0, 1.0, 0.55), "linewidth": 0.0}
    # one outline: hatched cell by cell it takes three times as long as the map below it
    axes.add_artist(PathPatch(Path(corners, codes), hatch=hatch, rasterized=True, zorder=1.2, **look))


class LimitScale(NamedTuple):
    """Colours of values in the unit shown.

    colours : Colormap
    norm : Normalize
    limit : float, optional
    exceeded : bool
        Whether any value exceeds the limit.
    """

    colours: Colormap
    norm: Normalize
    limit: float | None
    exceeded: bool

    @staticmethod
    def of(values: Array, limit: float | None) -> LimitScale:
        """Scale from zero to the limit, or beyond it to the largest value; from least to largest without a limit.

        Parameters
        ----------
        values : array
            Values in the unit shown; nan in cells without one.
        limit : float, optional
        """
        low, high = float(np.nanmin(values)), float(np.nanmax(values))
        below = mpl.colormaps[style.MAP]
        if limit is None or limit <= 0.0:
            return LimitScale(below, Normalize(low, high), None, False)
        if high <= limit:
            return LimitScale(below, Normalize(0.0, limit), limit, False)
        above = LinearSegmentedColormap.from_list("above", ABOVE)
        shares = np.linspace(0.0, 1.0, _STEPS)
        colours = ListedColormap([*below(shares), *above(shares)])
        return LimitScale(colours, TwoSlopeNorm(limit, 0.0, high), limit, True)

    def hatch(self, axes: Axes, x: Array, y: Array, values: Array) -> None:
        """Hatch the cells above the limit, so that they can be distinguished in greyscale."""
        if self.exceeded and self.limit is not None:
            hatch_cells(axes, x, y, values > self.limit)

    def handles(self, unit: str) -> list[Line2D | Patch]:
        """Handles for the legend: the limit, and what exceeds it."""
        if self.limit is None:
            return []
        line = Line2D([], [], color=style.REQUIREMENT, label=f"required {self.limit:.4g} {unit}")
        above_patch = Patch(facecolor=ABOVE[0], hatch=HATCH, edgecolor="white", label="above it")
        return [line, above_patch] if self.exceeded else [line]

    def mark(self, bar: Colorbar) -> None:
        """Mark the limit on a colour bar."""
        if self.limit is not None:
            bar.ax.axhline(self.limit, color=style.REQUIREMENT, linewidth=3.0, clip_on=False)
