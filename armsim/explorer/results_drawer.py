"""Results of background jobs, opened across the page: the tables of the reports, and a chart where there is one."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from nicegui import ui

from armsim.decide import Comparison, Selection, WhatIfs
from armsim.decide.sweep import Sweep
from armsim.errors import InputError
from armsim.explorer import background_jobs, charts, view_model
from armsim.explorer.background_jobs import Package
from armsim.explorer.edit_options import chosen_changes
from armsim.explorer.job_runner import Job, Work
from armsim.explorer.session import Session
from armsim.notebook import html_frame
from armsim.report.comparison_review import comparison_printout
from armsim.report.decision_review import selection_printout
from armsim.report.frame import Frame
from armsim.report.sweep_review import sweep_answer, sweep_frame
from armsim.report.what_if_review import what_if_printout


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
        self.design = ""
        with ui.dialog().props("seamless position=bottom full-width") as self.dialog, ui.card().classes("drawer"):
            self.content = ui.column().classes("w-full").style("gap: 4px").props('role=region aria-label="result"')

    def make_room(self, panes: ui.element) -> None:
        """Shorten the panes while the drawer is open, so that it covers nothing."""

        def toggle(event: Any) -> None:
            panes.classes(**{"add" if event.value else "remove": "above-drawer"})
            ui.run_javascript("window.dispatchEvent(new Event('resize'))")  # the scene follows the window alone

        self.dialog.on_value_change(toggle)

    def open(self, job: Job) -> None:
        """Show the result of a job."""
        self.job, self.design = job, ""
        self.show()
        self.dialog.open()

    def show(self) -> None:
        """Update the texts on the design where they changed."""
        job, design = self.job, self.session.design.key
        if job is None or self.design == design:
            return
        self.design = design
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
                    ui.label(part)
        for chart in self._charts(result):
            ui.plotly({**chart, "config": charts.UNRESPONSIVE}).style("width: 460px; height: 250px")

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

    def _charts(self, result: Any) -> Iterator[dict[str, Any]]:
        if isinstance(result, Sweep):
            for criterion in result.criteria:
                yield charts.sweep_chart(result.unit, result.judgements_by_task(criterion), self.theme(), result.path)
        if isinstance(result, Comparison):
            for row in result.differences:
                names = [task.name for task in result.results[0].tasks]
                poses = self.session.poses[names.index(row.task)]
                cells = poses.grid is not None and len(poses.grid.axes) == 2
                if cells and len(row.values) == len(poses.names):
                    title = f"{row.task}: {row.scenario} less {result.results[0].scenario}"
                    values = view_model.Values(1e6 * row.values, "µm", None, title)
                    yield charts.over_poses(poses, values, np.ones(len(row.values)), None, self.theme(), signed=True)
