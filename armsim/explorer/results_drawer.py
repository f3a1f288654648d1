"""Results of background jobs, opened across the page: the tables of the reports, and a chart where there is one."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from nicegui import ui

from armsim.criteria import smallest_limit
from armsim.decide import Comparison, Selection, Sensitivities, WhatIfs
from armsim.decide.calibration_study import Calibrated
from armsim.decide.sweep import Sweep
from armsim.decide.sweep_map import SweepMap
from armsim.errors import InputError
from armsim.explorer import background_jobs, charts
from armsim.explorer.background_jobs import Package
from armsim.explorer.chart_export import Figure
from armsim.explorer.edit_options import chosen_changes
from armsim.explorer.job_runner import Job, Work
from armsim.explorer.result_charts import charts_of
from armsim.explorer.session import Session
from armsim.figures.population_figures import exceeding
from armsim.notebook import html_frame
from armsim.report.assumed_values import assumed_sentence
from armsim.report.calibration_review import calibration_printout
from armsim.report.comparison_review import comparison_printout
from armsim.report.decision_review import selection_printout
from armsim.report.frame import Frame
from armsim.report.sensitivity_review import sensitivity_printout
from armsim.report.sweep_review import sweep_answer, sweep_frame, sweep_map_sentence
from armsim.report.what_if_review import what_if_printout
from armsim.results import Result


def printout_of(result: Any) -> Iterator[Frame | str]:
    """Tables and sentences of a result, as the commands print them."""
    if isinstance(result, Selection):
        yield from selection_printout(result)
    elif isinstance(result, WhatIfs):
        yield from what_if_printout(result)
    elif isinstance(result, Comparison):
        yield from comparison_printout(result)
    elif isinstance(result, Sweep):
        yield sweep_answer(result)
        yield sweep_frame(result)
    elif isinstance(result, SweepMap):
        yield sweep_map_sentence(result)
    elif isinstance(result, Sensitivities):
        yield from sensitivity_printout(result)
    elif isinstance(result, Calibrated):
        yield from calibration_printout(result)
    elif isinstance(result, Result):
        for task in result.tasks:
            if task.yield_curve is not None:
                limit = smallest_limit(result.required_at(task.name), task.follows_path, "error")
                yield f"{exceeding(task, task.yield_curve, limit)}."
            yield assumed_sentence(result, task) or f"{task.name}: all values are stated, none is assumed."


def can_be_resolved(job: Job, selection: Selection, design: str) -> bool:
    """Whether more arms may resolve the answer of a job on the design that is shown, and were not tried yet."""
    return job.key == design and selection.units_to_resolve is not None and not selection.attempts


class ResultsDrawer:
    """Drawer at the lower edge of the page; the page behind it can be used."""

    def __init__(
        self,
        session: Session,
        theme: Callable[[], charts.Theme],
        refuse: Callable[[InputError], None],
        begin: Callable[[str, Work], None],
    ) -> None:
        self.session, self.theme, self.refuse, self.begin = session, theme, refuse, begin
        self.job: Job | None = None
        self.drawn_state: tuple[Any, ...] = ()
        with (
            ui.dialog().props('seamless position=bottom full-width aria-label="result"') as self.dialog,
            ui.card().classes("drawer"),
        ):
            self.content = ui.column().classes("w-full").style("gap: 4px")

    def make_room(self, panes: ui.element) -> None:
        """Shorten the panes while the drawer is open, so that it covers nothing."""

        def toggle(event: Any) -> None:
            panes.classes(**{"add" if event.value else "remove": "above-drawer"})
            ui.run_javascript("window.dispatchEvent(new Event('resize'))")  # the scene follows the window alone

        self.dialog.on_value_change(toggle)

    def open(self, job: Job) -> None:
        """Show the result of a job."""
        self.job, self.drawn_state = job, ()
        self.show()
        self.dialog.open()

    def show(self) -> None:
        """Update the result where its design is another one or the page went light or dark."""
        job, design = self.job, self.session.design.key
        if job is None or self.drawn_state == (design, self.theme()):
            return
        self.drawn_state = design, self.theme()
        self.content.clear()
        is_past = job.key != design
        with self.content:
            with ui.row().classes("items-center w-full no-wrap").style("gap: 8px"):
                ui.label(f"{job.name}: {job.job_input.name}").classes("text-weight-medium ellipsis").props(
                    "data-name=result-of"
                )
                if is_past:
                    ui.label("not of the design that is shown").classes("open").props("data-name=moved-on")
                    ui.button("return to it", on_click=lambda: self._return(job)).props(
                        "flat dense no-caps data-name=return"
                    )
                ui.space()
                ui.button(icon="close", on_click=self.dialog.close).props(
                    'flat dense round size=sm aria-label="close the result"'
                )
            with ui.element("div").classes("result past" if is_past else "result"):
                self._result(job)

    def _return(self, job: Job) -> None:
        try:
            self.session.set_design(job.job_input.step.design)
        except InputError as error:
            self.refuse(error)

    def _result(self, job: Job) -> None:
        result = job.result
        if isinstance(result, Package):
            ui.button(f"download {result.name}", on_click=lambda: ui.download(result.content, result.name)).props(
                "no-caps data-name=download"
            )
            return
        if isinstance(result, Selection):
            with ui.row().style("gap: 8px"):
                ui.button("take it", on_click=lambda: self._take(job, result)).props(
                    "flat dense no-caps data-name=take"
                )
                if can_be_resolved(job, result, self.session.design.key):
                    ui.button("resolve with more arms", on_click=self._resolve).props(
                        "flat dense no-caps data-name=resolve"
                    ).tooltip("Search with more arms until the answer is resolved, as armsim select --resolve does.")
        with ui.element("div").classes("printout"):
            for part in printout_of(result):
                if isinstance(part, Frame):
                    ui.html(html_frame(part), sanitize=False)  # its cells are escaped
                else:
                    ui.label(part).classes("sentence")
        figures = ui.element("div").classes("figures")
        for chart in charts_of(result, self.session, self.theme()):
            with figures, ui.element("div").classes("result-figure"):
                figure = Figure(self.session, f"the chart {chart['layout']['title']['text']}")
                figure.element.style("width: min(400px, 100vw - 48px); height: 250px")
                figure.show({**chart, "config": charts.UNRESPONSIVE}, job.job_input.name)
                figure.menu()

    def _resolve(self) -> None:
        self.begin("find cheapest, resolved", background_jobs.cheapest_resolved)

    def _take(self, job: Job, selection: Selection) -> None:
        step = job.job_input.step
        try:
            changes = chosen_changes(self.session, step.study.scenario.machine, selection.closest)
            self.session.set_design(step.design)
            self.session.apply(changes)
        except InputError as error:
            self.refuse(error)
