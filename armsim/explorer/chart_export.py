"""A chart on the page, and the button that exports what it shows as SVG, PNG or CSV."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from typing import Any

from nicegui import ui

from armsim.explorer.charts import CONFIG, Chart
from armsim.explorer.session import Session
from armsim.report.csv_tables import write_rows

LONGEST_NAME = 120
"""Most characters in the name of an exported file, without its ending."""
SAVE_URL = """
const save = (url, name) => {
  const link = document.createElement('a');
  link.href = url;
  link.download = name;
  document.body.append(link);
  link.click();
  link.remove();
};
"""
EXPORT = (
    SAVE_URL
    + """
const [id, format, name, title] = %s, view = getElement(id), shown = view.$el;
let page = shown;  // the nearest background: a picture without one cannot be read on a page of the other colour
while (page && getComputedStyle(page).backgroundColor === 'rgba(0, 0, 0, 0)') page = page.parentElement;
const layout = {...shown.layout, paper_bgcolor: page ? getComputedStyle(page).backgroundColor : '#ffffff'};
if (title) {
  layout.title = {...layout.title, text: title, x: 0, xanchor: 'left', pad: {l: 8}, font: {size: 13}};
  layout.margin = {...layout.margin, t: 30};
}
view.Plotly.toImage({data: shown.data, layout, config: shown.config},
  {format, width: shown.clientWidth, height: shown.clientHeight + (title ? 28 : 0), scale: format === 'png' ? 2 : 1})
  .then((url) => save(url, name));
"""
)
"""Script that draws a chart as a picture of a format, as it is shown, and downloads it."""


def file_name(*parts: str) -> str:
    """Name of an exported file from the scenario, the design and the figure, without its ending."""
    return re.sub(r"[^\w.]+", "-", "-".join(filter(None, parts))).strip("-.")[:LONGEST_NAME]


def export_menu(meaning: str, items: dict[str, Callable[[], Any]]) -> ui.button:
    """Button with a menu of formats; ``items`` holds what each does."""
    with ui.button(icon="download").props(f'flat dense round size=sm aria-label="export {meaning}"') as button:
        button.props("data-name=export").tooltip(f"Export {meaning}")
        with ui.menu():
            for name, do in items.items():
                ui.menu_item(name, on_click=lambda _, do=do: do()).props("role=menuitem")
    return button


class Figure:
    """A chart with the name of the design that it shows."""

    def __init__(self, session: Session, meaning: str) -> None:
        self.session, self.meaning = session, meaning
        self.chart: Chart | None = None
        self.design, self.title = "", ""
        self.element = ui.plotly({"data": [], "layout": {}, "config": CONFIG})

    def show(self, chart: Chart, design: str, title: str = "") -> None:
        """Show a chart of a design; ``title`` where the page has it outside of the chart."""
        self.chart, self.design, self.title = chart, design, title
        self.element.update_figure({key: chart[key] for key in ("data", "layout", "config")})

    def menu(self) -> ui.button:
        """Button that exports the chart, at the present place of the page."""
        formats = {form.upper(): lambda form=form: self._picture(form) for form in ("svg", "png")}
        return export_menu(self.meaning, {**formats, "CSV": self._table})

    def _name(self, form: str) -> str:
        chart = self.chart
        title = self.title or ("" if chart is None else chart["layout"]["title"]["text"])
        return f"{file_name(self.session.file.stem, self.design, title or self.meaning)}.{form}"

    def _picture(self, form: str) -> None:
        if self.chart is not None:
            words = [self.element.id, form, self._name(form), self.title]
            ui.run_javascript(EXPORT % json.dumps(words))

    def _table(self) -> None:
        if self.chart is not None:
            file = io.StringIO(newline="")
            write_rows(file, self.chart["table"])
            ui.download(file.getvalue().encode(), self._name("csv"))
