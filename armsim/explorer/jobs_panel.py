"""Panel under the numbers: pinned designs, and background jobs with their results."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
from nicegui import ui

from armsim.decide import Comparison, Selection, WhatIfs
from armsim.decide.sweep import Sweep
from armsim.errors import InputError
from armsim.explorer import background_jobs, charts, view_model
from armsim.explorer.edit_options import chosen_changes
from armsim.explorer.session import Session
from armsim.formatting import percent, show
from armsim.report.decision_sentences import kind_in_words, signed_change
from armsim.report.verdict import TONES
from armsim.requirement import show_change

SHOWN = 8

EVERY = 0.1
"""Seconds between two updates of a job's progress."""


class JobsPanel:
    """Lower part of the right pane: buttons that start jobs, the running job or its result, pinned designs."""

    def __init__(
        self, session: Session, theme: Callable[[], charts.Theme], refuse: Callable[[InputError], None]
    ) -> None:
        self.session, self.theme, self.refuse = session, theme, refuse
        self.job_key: tuple[Any, ...] = ()
        self.pins_key: tuple[Any, ...] = ()
        self.running, self.progress_time = -1, 0.0
        self.progress: Any = None
        self.bar: Any = None
        with ui.element("div").classes("pane").props('role=region aria-label="questions"'):
            with ui.row().classes("w-full").style("gap: 2px"):
                if session.options is not None and session.study.scenario.requirement is not None:
                    button = ui.button("find cheapest", on_click=self._cheapest).props(
                        "flat dense no-caps data-name=cheapest"
                    )
                    button.tooltip("Search the catalogue for the cheapest set that meets the requirement.")
                button = ui.button("what-if", on_click=self._worth).props("flat dense no-caps data-name=worth")
                button.tooltip("Effect of one ideal joint, one cause halved, one more bit.")
                ui.button("sweep", on_click=self._open_sweep_dialog).props("flat dense no-caps data-name=sweep")
            self.work = ui.column().classes("w-full").style("gap: 2px")
        with ui.element("div").classes("pane").props('role=region aria-label="pinned designs"'):
            ui.label("pinned designs").classes("quiet")
            self.pins = ui.column().classes("w-full").style("gap: 2px").props("data-name=pins")

    def begin(self, name: str, work: Callable[[Callable[[str, int, int], None]], Any]) -> None:
        """Start a job, or notify that another one is running."""
        if not self.session.start_job(name, work):
            ui.notify("another job is running; stop it first", type="warning")

    def _cheapest(self) -> None:
        self.begin("find cheapest", lambda progress: background_jobs.cheapest(self.session, progress))

    def _worth(self) -> None:
        self.begin("what-if", lambda progress: background_jobs.what_ifs(self.session, progress))

    def _open_sweep_dialog(self) -> None:
        with ui.dialog(value=True) as dialog, ui.card():
            ui.label("Judge the tasks at values of one number, as armsim run --sweep does.")
            path = ui.input(
                "path", value=f"joints.{self.session.study.scenario.machine.arm.names[0]}.mounting.eccentricity"
            )
            path.classes("w-full").props("data-name=sweep-path")
            values = ui.input("values", value="0um..40um:6").classes("w-full").props("data-name=sweep-values")

            def go() -> None:
                at, text = str(path.value).strip(), str(values.value).strip()
                self.begin("sweep", lambda progress: background_jobs.sweep_number(self.session, at, text, progress))
                dialog.close()

            ui.button("sweep", on_click=go).props("no-caps data-name=sweep-go")

    def show(self) -> None:
        """Update the job and the pinned designs, where they changed."""
        theme, job = self.theme(), self.session.job
        if (job, theme) != self.job_key:
            self.job_key = job, theme
            self._show_job()
        pins = self.session.pinned, self.session.design.key, theme
        if pins != self.pins_key:
            self.pins_key = pins
            self._show_pins()

    def _show_job(self) -> None:
        job = self.session.job
        if job is not None and job.running and self.running == job.number:
            if time.monotonic() - self.progress_time < EVERY:
                return
            self.progress_time = time.monotonic()
            self.progress.set_text(f"{job.name}: {job.progress}")  # the button to stop stays where it is
            self.bar.set_value(job.share)
            return
        self.work.clear()
        self.running = -1
        if job is None or not job.name:
            return
        with self.work:
            if job.running:
                with ui.row().classes("items-center w-full no-wrap"):
                    ui.spinner(size="sm")
                    self.progress = ui.label(f"{job.name}: {job.progress}").classes("quiet ellipsis")
                    self.progress.props("data-name=progress")
                    ui.space()
                    ui.button("stop", on_click=self.session.stop_job).props("flat dense no-caps data-name=halt")
                self.bar = ui.linear_progress(job.share, show_value=False)
                self.running = job.number
                return
            with ui.row().classes("items-center justify-between w-full no-wrap"):
                ui.label(job.name).classes("text-weight-medium")
                ui.button(icon="close", on_click=self.session.dismiss_job).props(
                    'flat dense round size=sm aria-label="dismiss"'
                )
            if job.error:
                ui.label(job.error).classes("bad").props("data-name=work-error")
            elif isinstance(job.result, Selection):
                self._selection(job.result)
            elif isinstance(job.result, WhatIfs):
                self._what_ifs(job.result)
            elif isinstance(job.result, Sweep):
                self._sweep(job.result)
            elif isinstance(job.result, Comparison):
                self._comparison(job.result)
            elif isinstance(job.result, background_jobs.Package):
                package = job.result
                ui.button(
                    f"download {package.name}", on_click=lambda: ui.download(package.content, package.name)
                ).props("no-caps data-name=download")

    def _selection(self, selection: Selection) -> None:
        if selection.design is None:
            ui.label("No choice in the catalogue meets the requirement; the closest:")
        else:
            ui.label(f"{selection.price:g} cost units").classes("figure")
            ui.label(f"requirement {selection.state}").classes(TONES[selection.state])
        for row in selection.closest:
            ui.label(f"{row.joint}: {row.encoder}, {row.mounting}, {row.placement}").classes("quiet")

        def take() -> None:
            try:
                self.session.apply(chosen_changes(self.session, selection.closest))
            except InputError as error:
                self.refuse(error)

        ui.button("take it", on_click=take).props("flat dense no-caps data-name=take")

    def _what_ifs(self, what_ifs: WhatIfs) -> None:
        for task in what_ifs.result.tasks:
            rows = what_ifs.of(task.name)[:SHOWN]
            if rows:
                ui.label(f"{task.name}: change of the {rows[0].criteria[0].phrase}").classes("quiet")
            for row in rows:
                with ui.row().classes("justify-between w-full no-wrap"):
                    ui.label(f"{kind_in_words(row.kind)}: {row.what}").classes("ellipsis")
                    change = row.criteria[0]
                    text = show_change(change.change.value, None, change.quantity)
                    ui.label(text).style("white-space: nowrap")

    def _sweep(self, sweep: Sweep) -> None:
        for criterion in sweep.criteria:
            chart = charts.sweep_chart(sweep.unit, sweep.lines(criterion), self.theme(), sweep.path)
            ui.plotly(chart).classes("w-full").style("height: 230px")

    def _comparison(self, comparison: Comparison) -> None:
        for row in comparison.differences:
            ui.label(f"{row.scenario}, {row.task}").classes("text-weight-medium")
            for change in row.criteria:
                ui.label(f"{change.noun}: {signed_change(change)}")
            ui.label(f"price: {row.price:+g}")
            poses = next(
                (p for t, p in zip(comparison.results[0].tasks, self.session.poses, strict=True) if t.name == row.task),
                None,
            )
            if (
                poses is not None
                and poses.grid is not None
                and len(poses.grid.axes) == 2
                and len(row.values) == len(poses.names)
            ):
                title = f"{row.task}: {row.scenario} less {comparison.results[0].scenario}"
                values = view_model.Values(1e6 * row.values, "µm", None, title)
                chart = charts.over_poses(poses, values, np.ones(len(row.values)), None, self.theme(), signed=True)
                ui.plotly({**chart, "config": charts.UNRESPONSIVE}).classes("w-full").style("height: 240px")

    def _show_pins(self) -> None:
        self.pins.clear()
        with self.pins:
            if not self.session.pinned:
                ui.label("Pin up to four designs to see them side by side.").classes("quiet")
            for pin in self.session.pinned:
                snapshot = pin.snapshot
                with ui.row().classes("items-center justify-between w-full no-wrap"):
                    standing = " ●" if pin.design.key == self.session.design.key else ""
                    ui.label(f"{pin.name}{standing}").classes("ellipsis")
                    if snapshot is not None and snapshot.answer.judged:
                        worst = max(judged.summary.at_coverage for judged in snapshot.answer.judged)
                        yields = [
                            judged.summary.yield_.value
                            for judged in snapshot.answer.judged
                            if judged.summary.yield_ is not None
                        ]
                        price = snapshot.study.scenario.machine.price
                        summary = f"{show(worst)}{', ' + percent(min(yields)) if yields else ''}, {price:g}"
                        ui.label(summary).classes("quiet")
                    ui.button(
                        icon="visibility", on_click=lambda _, pinned=pin: self.session.set_design(pinned.design)
                    ).props('flat dense round size=sm aria-label="restore this design"')
                    ui.button(icon="close", on_click=lambda _, pinned=pin: self.session.unpin(pinned.design.key)).props(
                        'flat dense round size=sm aria-label="remove it"'
                    )
            if len(self.session.pinned) > 1:
                ui.button("compare, paired", on_click=self._compare).props("flat dense no-caps data-name=compare")

    def _compare(self) -> None:
        pins = self.session.pinned
        self.begin("comparison", lambda progress: background_jobs.compare_pins(self.session, pins, progress))
