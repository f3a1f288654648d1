"""The example notebook runs from top to bottom, and shows what it says."""

import matplotlib.pyplot as plt
import nbformat
import pytest
from nbclient import NotebookClient
from support import ROOT

import armsim


def test_the_tour_runs() -> None:
    book = nbformat.read(ROOT / "scenarios" / "tour.ipynb", as_version=4)
    NotebookClient(book, timeout=300, resources={"metadata": {"path": str(ROOT / "scenarios")}}).execute()
    display = [output.get("data", {}) for cell in book.cells if cell.cell_type == "code" for output in cell.outputs]
    assert sum("image/png" in data for data in display) == 4
    assert sum("text/html" in data for data in display) == 3
    printed = "".join(
        o.text for c in book.cells if c.cell_type == "code" for o in c.outputs if o.output_type == "stream"
    )
    assert printed
    compared = "".join("".join(data.get("text/html", "")) for data in display)
    assert "off the 95 % quantile" in compared


def test_a_wrong_task_is_named() -> None:
    study = armsim.load(ROOT / "scenarios" / "lessons" / "eccentricity.yaml").with_plan(units=20, visits=2)
    result = study.run()
    with pytest.raises(ValueError, match="there are"):
        result.plot.map("nowhere")
    with pytest.raises(ValueError, match="no joint"):
        result.plot.joint("j99")
    assert "<table>" in result._repr_html_()
    assert "<table>" in study._repr_html_()


def test_figures_are_drawn_on_given_axes() -> None:
    """Everything lands in the figure of the caller, whose settings stay; what has no single axes says so."""
    study = armsim.load(ROOT / "scenarios" / "bonding-cell.yaml").change({"tasks.side view.step": "150 mm"})
    result = study.with_plan(units=20, visits=2).run(1)
    figure, panels = plt.subplots(2, 3)
    before = dict(plt.rcParams)
    draws = [result.plot.map, result.plot.poses, result.plot.budget, result.plot.arms, result.plot.yield_curve]
    for axes, draw in zip(panels.flat, draws, strict=False):
        assert draw(ax=axes) is axes
    assert result.plot.joint("j2", ax=panels[1, 2]) is panels[1, 2]
    assert dict(plt.rcParams) == before
    assert all(axes.has_data() for axes in panels.flat)
    assert len(figure.axes) == 7  # six, and the colour bar of the map
    assert panels[0, 0].get_title(loc="left").startswith("side view: errors")
    alone = result.plot.map()
    assert alone is not figure
    assert alone.get_supxlabel()
    plt.close(figure)
