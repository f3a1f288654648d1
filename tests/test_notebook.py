"""The example notebook runs from top to bottom, and shows what it says."""

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
        result.map("nowhere")
    with pytest.raises(ValueError, match="no joint"):
        result.joint("j99")
    assert "<table>" in result._repr_html_()
    assert "<table>" in study._repr_html_()
