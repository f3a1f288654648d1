"""Style shared by all figures: colours, sizes, titles, notes and legends."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from importlib.resources import as_file, files
from io import BytesIO
from textwrap import wrap
from typing import Any

import matplotlib as mpl
import matplotlib.style
import numpy as np
from matplotlib import font_manager
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import ScaledTranslation
from numpy.typing import ArrayLike

from armsim.figures.turning_scene import TurningScene

COLOURS = ("#1f4e79", "#d08a00", "#2f8f6b", "#b04a5a", "#7a6fb0", "#8fb3d9", "#e6c36a", "#9a9a9a")
REQUIREMENT = "#c1121f"
MAP = "cividis"
"""Colour map of all maps: perceptually uniform, and readable by colour-blind readers and in grey."""


OTHER_SCRIPTS = ("Noto Sans CJK SC", "Noto Sans CJK JP", "WenQuanYi Zen Hei", "Microsoft YaHei", "Arial Unicode MS")
"""Font families searched for scripts that the main family lacks."""


class Drawing(Figure):
    """A figure with hover texts at some of its points, for an interactive page.

    A figure may have a ``scene`` that turns in the page.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.spots: list[tuple[Axes, Sequence[float], str]] = []
        self.below: list[tuple[Axes, list[Artist] | None, float]] = []
        self.scene: TurningScene | None = None

    def annotate(self, axes: Axes, *columns: ArrayLike, texts: Sequence[str]) -> None:
        """Add hover texts at points in data coordinates: two columns, or three on axes in space, one row per text."""
        points = np.stack([np.asarray(column, dtype=float) for column in columns], axis=-1).tolist()
        self.spots += [(axes, point, text) for point, text in zip(points, texts, strict=True)]

    def _repr_png_(self) -> bytes:
        """The picture, for a notebook."""
        buffer = BytesIO()
        self.savefig(buffer, format="png", dpi=110)
        return buffer.getvalue()

    @property
    def heading(self) -> str:
        """The title with its line breaks: of the figure, or of the first axes that have one."""
        titles = [axes.get_title(loc="left") for axes in self.axes]
        return self.get_suptitle() or next((title for title in titles if title), "")

    @property
    def note(self) -> str:
        """The note under the figure, in one line."""
        return " ".join(self.get_supxlabel().split())

    @property
    def finding(self) -> str:
        """The title in one line."""
        return " ".join(self.heading.split())


@contextmanager
def style() -> Iterator[None]:
    """Context in which only the style file applies, without settings of the user; restores matplotlib afterwards."""
    style_file = files("armsim.figures") / "armsim.mplstyle"
    with as_file(style_file) as path, mpl.style.context(str(path), after_reset=True):
        mpl.rcParams["font.family"] = [*mpl.rcParams["font.family"], *_other_scripts()]
        yield


@lru_cache(maxsize=1)
def _other_scripts() -> list[str]:
    """Installed font families with scripts that the main family lacks."""
    installed = set(font_manager.get_font_names())
    return [family for family in OTHER_SCRIPTS if family in installed]


class Guest(Drawing):
    """Drawing on axes of another figure, to which its colour bars go; hover texts and the note below are dropped.

    Parameters
    ----------
    host : Axes
    """

    def __init__(self, host: Axes) -> None:
        super().__init__()
        self.host = host

    def colorbar(self, *args: Any, **named: Any) -> Any:
        """Colour bar in the figure of the axes."""
        return self.host.get_figure().colorbar(*args, **named)  # type: ignore[union-attr]


def figure(width: float = 6.4, height: float = 4.0, axes: Axes | None = None) -> tuple[Drawing, Axes]:
    """A figure with one pair of axes, no window attached, or the given axes. Sizes in inches."""
    if axes is not None:
        return Guest(axes), axes
    out = Drawing(figsize=(width, height), layout="constrained")
    return out, out.add_subplot()


def label(name: str) -> str:
    """A name as a legend label; matplotlib would hide one that begins with an underscore."""
    return f"\N{HAIR SPACE}{name}" if name.startswith("_") else name


def wrapped(text: str, width: int = 72) -> str:
    """A title or note broken into lines that fit the width of a figure."""
    return "\n".join(wrap(text, width))


def titled(figure: Figure, text: str, width: int = 70) -> None:
    """Set a title over all axes, for a figure in space or of several panels."""
    figure.suptitle(wrapped(text, width), x=0.01, ha="left", fontsize=10, fontweight="bold")


def footnote(figure: Figure, text: str) -> None:
    """Set the note under the figure: sample sizes and conditions."""
    figure.supxlabel(wrapped(text, 105), fontsize=8, color="#555555", x=0.01, ha="left")


def legend_below(axes: Axes, handles: Sequence[Artist] | None = None, inches: float = 0.5, columns: int = 3) -> None:
    """Place the legend below the axes, clear of tick labels and axis label at any height of the axes."""
    figure = axes.get_figure()
    assert figure is not None
    shift = ScaledTranslation(0.0, -inches, figure.dpi_scale_trans)
    arguments = {} if handles is None else {"handles": list(handles)}
    if isinstance(figure, Drawing):
        figure.below.append((axes, list(handles) if handles is not None else None, inches))
    axes.legend(
        loc="upper left",
        bbox_to_anchor=(0.0, 0.0),
        bbox_transform=axes.transAxes + shift,
        ncols=columns,
        borderaxespad=0,
        **arguments,
    )
