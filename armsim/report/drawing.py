"""Figures drawn and saved, on as many processors as there are."""

from __future__ import annotations

import multiprocessing
import os
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.transforms import Bbox

from armsim.engine.executors import end_with_parent
from armsim.errors import RunError
from armsim.figures.style import Drawing, style
from armsim.report.document import Picture, Spot
from armsim.report.run_review import Pictures

RESOLUTION = 144.0
"""Pixels per inch of a PNG."""
MARGIN = 0.06
"""White around a picture. [inch]"""
FEW = 9
"""Figures that are sooner drawn here than a process is started."""
MOST_HELPERS = 3
Draw = Callable[[], Drawing]
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Planned:
    """A figure to be drawn: the anchor of its section, its file name, one sentence on how to read it, how to draw it.

    ``draw`` is a function of a module with its arguments, so that it can be sent to another process.
    """

    anchor: str
    name: str
    caption: str
    draw: Draw


def keep(
    folder: Path,
    planned: Iterable[Planned],
    progress: Progress = lambda what, done, total: None,
    helpers: int = 0,
) -> Pictures:
    """Save figures as SVG and PNG in a new folder; pictures by section.

    Parameters
    ----------
    folder : Path
    planned : iterable of Planned
    progress : callable
    helpers : int
        Processes that draw beside this one.
    """
    folder.mkdir()
    every = list(planned)
    drawn: list[Picture | None] = [None] * len(every)
    progress("figures", 0, len(every))
    with _helping(helpers if len(every) > FEW else 0) as pool:
        waiting = [] if pool is None else [pool.submit(draw_one, folder, one) for one in every]
        for done, number in enumerate(reversed(range(len(every))), start=1):
            if pool is None or waiting[number].cancel():  # nobody has begun with it
                drawn[number] = draw_one(folder, every[number])
                progress("figures", done, len(every))
        for number, future in enumerate(waiting):
            if drawn[number] is None:
                drawn[number] = _result(future, folder, every[number])
    rasterize(folder, [one.name for one in every])
    progress("figures", len(every), len(every))
    pictures: dict[str, list[Picture]] = {}
    for one, picture in zip(every, drawn, strict=True):
        assert picture is not None  # each was drawn by one of the two loops
        pictures.setdefault(one.anchor, []).append(picture)
    return pictures


def helpers_for(memory: int, processors: int | None = None) -> int:
    """Processes that may draw beside this one, with so much memory for all together."""
    more = (memory - OWN_MEMORY) // HELPER_MEMORY
    return int(max(0, min(MOST_HELPERS, (processors or os.cpu_count() or 1) - 1, more)))


OWN_MEMORY, HELPER_MEMORY = 500 * 2**20, 250 * 2**20
"""Bytes that a process with results takes while it draws, and one that only draws; measured."""


def _result(future: Future[Picture], folder: Path, one: Planned) -> Picture:
    try:
        return future.result()
    except BrokenProcessPool:  # killed, say for want of memory: this process is still there
        return draw_one(folder, one)


@contextmanager
def _helping(count: int) -> Iterator[ProcessPoolExecutor | None]:
    if not count:
        yield None
        return
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(count, mp_context=context, initializer=_begin)
    try:
        yield pool
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _begin() -> None:
    end_with_parent()
    warnings.simplefilter("ignore")


def draw_one(folder: Path, one: Planned) -> Picture:
    """Draw a figure and save it."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")  # a script without a font: the names stand in the tables
        figure = one.draw()
        with style():
            spots = save_figure(folder / one.name, figure)
    return Picture(one.name, figure.finding, one.caption, f"{folder.name}/{one.name}.svg", spots)


def save_figure(path: Path, figure: Drawing) -> tuple[Spot, ...]:
    """Save as SVG, cut to what is drawn, so that no long title is lost; where its values stand."""
    canvas = FigureCanvasAgg(figure)
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.execute(figure)
    figure.set_layout_engine(None)  # else the figure would be drawn once more for it
    box = figure.get_tightbbox(canvas.get_renderer()).padded(MARGIN)  # type: ignore[no-untyped-call]
    figure.savefig(path.with_name(f"{path.name}.svg"), metadata={"Date": None}, bbox_inches=box)
    return tuple(_spots(figure, box))


def rasterize(folder: Path, names: Sequence[str]) -> None:
    """A PNG beside every SVG, by the typesetter, which does so ten times as fast as a second drawing.

    Raises
    ------
    RunError
        It fails.
    """
    import typst

    source = folder / ".pictures.typ"
    page = "#set page(width: auto, height: auto, margin: 0pt)\n"
    source.write_text(page + "\n#pagebreak()\n".join(f'#image("{name}.svg")' for name in names), encoding="utf-8")
    try:
        made = typst.compile(source, format="png", ppi=RESOLUTION)
    except typst.TypstError as error:
        raise RunError(f"the pictures cannot be made: {error}") from error
    finally:
        source.unlink()
    for name, picture in zip(names, made if isinstance(made, list) else [made], strict=True):
        (folder / f"{name}.png").write_bytes(picture)


def _spots(figure: Drawing, box: Bbox) -> Iterator[Spot]:
    for axes, place, text in figure.spots:
        flat: Sequence[float] = place
        if len(place) == 3:
            from mpl_toolkits.mplot3d import proj3d

            flat = proj3d.proj_transform(*place, axes.get_proj())[:2]  # type: ignore[attr-defined]
        inches = axes.transData.transform(np.asarray(flat, dtype=float)) / figure.dpi
        x, y = (inches[0] - box.x0) / box.width, 1.0 - (inches[1] - box.y0) / box.height
        if 0 <= x <= 1 and 0 <= y <= 1:
            yield Spot(float(x), float(y), text)
