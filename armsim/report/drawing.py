"""Drawing and saving of figures, on several processors."""

from __future__ import annotations

import json
import re
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from io import StringIO
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.transforms import Bbox

from armsim.errors import RunError
from armsim.figures.style import Drawing, legend_below, style
from armsim.report.document import Picture, Spot
from armsim.report.helpers import Helpers, result_of
from armsim.report.pictures import Pictures
from armsim.run_options import CheckStop, never_stop

RESOLUTION = 144.0
"""Pixels per inch of a PNG."""
DOCUMENT = "in-document"
"""Folder of the figures for the document: smaller, without the title and note that the document prints."""
LONG_LABEL = 28
"""Most letters of an entry of a legend with two columns, in a figure beside another."""
NARROW = 0.66
"""Scale of a figure that shares a row with another; its fonts keep their size."""
MARGIN = 0.06
"""Margin around a picture. [inch]"""
_PATHS, _DECIMALS = re.compile(r' d="[^"]*"'), re.compile(r"(\.\d{3})\d+")
Draw = Callable[[], Drawing]
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Planned:
    """Figure to be drawn: anchor of its section, file name, caption, drawing function, whether it is wide.

    ``draw`` is a function of a module with its arguments, so that it can be sent to another process.
    """

    anchor: str
    name: str
    caption: str
    draw: Draw
    wide: bool = False


@dataclass(frozen=True)
class Drawings:
    """Figures being drawn, some of them by helper processes."""

    folder: Path
    planned: tuple[Planned, ...]
    waiting: tuple[Future[Picture] | None, ...]


def begin(folder: Path, planned: Iterable[Planned], helpers: Helpers) -> Drawings:
    """Submit figures to helper processes, which draw them into a new folder."""
    folder.mkdir()
    (folder / DOCUMENT).mkdir()
    planned = tuple(planned)
    return Drawings(folder, planned, tuple(helpers.submit(draw_one, folder, plan) for plan in planned))


def finish(drawings: Drawings, progress: Progress = lambda what, completed, total: None) -> Pictures:
    """Draw the figures that no helper has started, from the last; return the pictures by section."""
    folder, planned = drawings.folder, drawings.planned
    by_number: list[Picture | None] = [None] * len(planned)
    progress("figures", 0, len(planned))
    for completed, number in enumerate(reversed(range(len(planned))), start=1):
        waiting = drawings.waiting[number]
        if waiting is None or waiting.cancel():  # nobody has begun with it
            by_number[number] = draw_one(
                folder, planned[number], partial(progress, "figures", completed - 1, len(planned))
            )
            progress("figures", completed, len(planned))
    for number, future in enumerate(drawings.waiting):
        if by_number[number] is None and future is not None:
            by_number[number] = result_of(future, draw_one, folder, planned[number])
    progress("figures", len(planned), len(planned))
    pictures: dict[str, list[Picture]] = {}
    for plan, picture in zip(planned, by_number, strict=True):
        assert picture is not None  # each was drawn by one of the two loops
        pictures.setdefault(plan.anchor, []).append(picture)
    return pictures


@contextmanager
def rasterizing(drawings: Drawings, helpers: Helpers) -> Iterator[None]:
    """Write a PNG next to every SVG in a helper process, by the end of the ``with`` block."""
    arguments = drawings.folder, [plan.name for plan in drawings.planned]
    future = helpers.submit(rasterize, *arguments)
    yield
    if future is None:
        rasterize(*arguments)
    else:
        result_of(future, rasterize, *arguments)


def draw_one(folder: Path, plan: Planned, check_stop: CheckStop = never_stop) -> Picture:
    """Draw a figure and save it; ``check_stop`` is called between these steps, as `CheckStop`."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")  # a script without a font: the names stand in the tables
        figure = plan.draw()
        check_stop()
        finding, note = figure.finding, figure.note
        engine = figure.get_layout_engine()
        with style():
            save_figure(folder / plan.name, figure)
            check_stop()
            set_down(figure, NARROW if not plan.wide else 1.0)
            figure.set_layout_engine(engine)
            spots = save_figure(folder / DOCUMENT / plan.name, figure)
    caption = f"{plan.caption} {note[:1].upper()}{note[1:]}." if note else plan.caption
    stem, scene = f"{folder.name}/{DOCUMENT}/{plan.name}", ""
    if figure.scene is not None:
        scene = f"{stem}.json"
        (folder / DOCUMENT / f"{plan.name}.json").write_text(
            json.dumps(figure.scene.record(), allow_nan=False), encoding="utf-8"
        )
    return Picture(plan.name, finding, caption, f"{stem}.svg", spots, plan.wide, scene)


def set_down(figure: Drawing, share: float) -> None:
    """Prepare a figure for the document: without title and note, scaled by ``share``."""
    for axes in figure.axes:
        if axes.get_title(loc="left") and axes.get_title(loc="left") in figure.heading:
            axes.set_title("", loc="left")
    figure.suptitle("")
    figure.supxlabel("")
    for axes, handles, inches in list(figure.below) if share < 1.0 else ():
        labels = [str(handle.get_label()) for handle in handles or axes.get_legend_handles_labels()[0]]
        one_column = len(figure.axes) > len(figure.below) or max(map(len, labels), default=0) > LONG_LABEL
        legend_below(axes, handles, inches, columns=1 if one_column else 2)
    width, height = figure.get_size_inches()
    figure.set_size_inches(share * width, share * height)


def save_figure(path: Path, figure: Drawing) -> tuple[Spot, ...]:
    """Save a figure as SVG, cropped to its content; return its spots."""
    canvas = FigureCanvasAgg(figure)
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.execute(figure)
    figure.set_layout_engine(None)  # else the figure would be drawn once more for it
    box = figure.get_tightbbox(canvas.get_renderer()).padded(MARGIN)  # type: ignore[no-untyped-call]
    picture = StringIO()
    figure.savefig(picture, format="svg", metadata={"Date": None}, bbox_inches=box)
    path.with_name(f"{path.name}.svg").write_text(_PATHS.sub(_rounded, picture.getvalue()), encoding="utf-8")
    return tuple(_spots(figure, box))


def _rounded(path: re.Match[str]) -> str:
    """Data of a path with its coordinates to a thousandth of a point: a third less of a page that holds all figures."""
    return _DECIMALS.sub(r"\1", path[0])


def rasterize(folder: Path, names: Sequence[str], resolution: float = RESOLUTION) -> None:
    """Write a PNG next to every SVG with the typesetter, ten times as fast as drawing a second time.

    Raises
    ------
    RunError
        Drawing fails.
    """
    if not names:
        return
    import typst

    source = folder / ".pictures.typ"
    page = "#set page(width: auto, height: auto, margin: 0pt)\n"
    source.write_text(page + "\n#pagebreak()\n".join(f'#image("{name}.svg")' for name in names), encoding="utf-8")
    try:
        images = typst.compile(source, format="png", ppi=resolution)
    except typst.TypstError as error:
        raise RunError(f"the pictures cannot be created: {error}") from error
    finally:
        source.unlink()
    for name, picture in zip(names, images if isinstance(images, list) else [images], strict=True):
        (folder / f"{name}.png").write_bytes(picture)


def _spots(figure: Drawing, box: Bbox) -> Iterator[Spot]:
    for axes, point, text in figure.spots:
        flat: Sequence[float] = point
        if len(point) == 3:
            from mpl_toolkits.mplot3d import proj3d

            flat = proj3d.proj_transform(*point, axes.get_proj())[:2]  # type: ignore[attr-defined]
        inches = axes.transData.transform(np.asarray(flat, dtype=float)) / figure.dpi
        x, y = (inches[0] - box.x0) / box.width, 1.0 - (inches[1] - box.y0) / box.height
        if 0 <= x <= 1 and 0 <= y <= 1:
            yield Spot(float(x), float(y), text)
