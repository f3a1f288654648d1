"""Panel under the numbers: background jobs with their results, and pinned designs."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from nicegui import ui

from armsim.errors import InputError
from armsim.explorer import background_jobs, charts, view_model
from armsim.explorer.job_runner import Job, Work
from armsim.explorer.questions import Questions
from armsim.explorer.results_drawer import ResultsDrawer
from armsim.explorer.session import Session

EVERY = 0.1
"""Seconds between two updates of a job's progress."""


class JobsPanel:
    """Lower part of the right pane: buttons that start jobs, the running job, results, pinned designs."""

    def __init__(
        self, session: Session, theme: Callable[[], charts.Theme], refuse: Callable[[InputError], None]
    ) -> None:
        self.session, self.refuse = session, refuse
        self.drawer = ResultsDrawer(session, theme, refuse, self.begin)
        self.jobs_key: tuple[Any, ...] = ()
        self.pins_key: tuple[Any, ...] = ()
        self.running, self.progress_time = -1, 0.0
        self.started = 0
        self.progress: Any = None
        self.bar: Any = None
        with ui.element("div").classes("pane").props('role=region aria-label="questions"'):
            Questions(session, self.begin)
            self.work = ui.column().classes("w-full").style("gap: 2px")
        with ui.element("div").classes("pane").props('role=region aria-label="pinned designs"'):
            ui.label("pinned designs").classes("quiet")
            self.note = ui.textarea("note on this design, for its review").classes("w-full")
            self.note.props("dense autogrow data-name=note").on("blur", self._write_note)
            self.pins = ui.column().classes("w-full").style("gap: 2px").props("data-name=pins")

    def begin(self, name: str, work: Work) -> None:
        """Start a job on the present design, or notify that another one is running."""
        number = self.session.start_job(name, work)
        if number:
            self.started = number
        else:
            ui.notify("another job is running; stop it first", type="warning")

    def show(self) -> None:
        """Update jobs and pinned designs, where they changed."""
        jobs, design = self.session.jobs, self.session.design.key
        if not self._shows_progress(jobs.running):
            key = (jobs.running, jobs.finished, design)
            if key != self.jobs_key:
                self.jobs_key = key
                self._show_jobs(jobs.running, jobs.finished)
        self.drawer.show()
        finished_job = next((job for job in jobs.finished if job.number == self.started), None)
        if finished_job is not None:
            self.started = 0
            if finished_job.result is not None:
                self.drawer.open(finished_job)
        pins = self.session.pinned, design
        if pins != self.pins_key:
            self.pins_key = pins
            if self.note.value != self.session.note:
                self.note.value = self.session.note
            self._show_pins()

    def _shows_progress(self, job: Job | None) -> bool:
        """Update the progress of a job that is shown already; the button to stop it stays where it is."""
        if job is None or self.running != job.number:
            return False
        if time.monotonic() - self.progress_time >= EVERY:
            self.progress_time = time.monotonic()
            self.progress.set_text(f"{job.name}: {job.progress}")
            self.bar.set_value(job.share)
        return True

    def _show_jobs(self, running: Job | None, finished: tuple[Job, ...]) -> None:
        self.work.clear()
        self.running = -1
        with self.work:
            if running is not None:
                with ui.row().classes("items-center w-full no-wrap"):
                    self.progress = ui.label(f"{running.name}: {running.progress}").classes("quiet ellipsis")
                    self.progress.props("data-name=progress")
                    ui.space()
                    ui.button("stop", on_click=self.session.jobs.stop).props("flat dense no-caps data-name=halt")
                self.bar = ui.linear_progress(running.share, show_value=False).props("instant-feedback")
                self.running = running.number
            for job in finished:
                self._finished(job)

    def _finished(self, job: Job) -> None:
        title = f"{job.name}: {job.job_input.name}"
        past = " past" if job.key != self.session.design.key else ""
        with ui.row().classes(f"items-center justify-between w-full no-wrap{past}").props("data-name=finished"):
            ui.label(title).classes("ellipsis").tooltip(title)
            with ui.row().classes("no-wrap").style("gap: 0"):
                if job.result is not None:
                    ui.button("open", on_click=lambda: self.drawer.open(job)).props(
                        "flat dense no-caps size=sm data-name=open-result"
                    )
                ui.button(icon="close", on_click=lambda: self.session.jobs.dismiss(job.number)).props(
                    'flat dense round size=sm aria-label="dismiss"'
                )
        if job.error:
            ui.label(job.error).classes("bad").props("data-name=work-error")

    def _show_pins(self) -> None:
        self.pins.clear()
        with self.pins:
            if not self.session.pinned:
                ui.label("Pin up to four designs to see them side by side.").classes("quiet")
            columns = view_model.pins_frame(self.session.pinned, self.session.design.key).columns
            rows = zip(*(column.with_units for column in columns), strict=True)
            for pin, (title, state, price) in zip(self.session.pinned, rows, strict=True):
                with ui.row().classes("items-center justify-between w-full no-wrap"):
                    ui.label(title).classes("ellipsis").tooltip(pin.name)
                    with ui.row().classes("no-wrap").style("gap: 0"):
                        ui.button(
                            icon="visibility", on_click=lambda _, step=pin.step: self.session.set_design(step.design)
                        ).props('flat dense round size=sm aria-label="restore this design"')
                        ui.button(icon="close", on_click=lambda _, key=pin.key: self.session.unpin(key)).props(
                            'flat dense round size=sm aria-label="remove it"'
                        )
                tone = view_model.verdict(pin.snapshot)[1]
                ui.label("; ".join(filter(None, (state, price)))).classes(tone)
            if len(self.session.pinned) > 1:
                ui.button("compare, paired", on_click=self._compare).props("flat dense no-caps data-name=compare")

    def _write_note(self) -> None:
        if str(self.note.value or "").strip() != self.session.note:
            self.session.write_note(str(self.note.value or ""))

    def _compare(self) -> None:
        self.begin("comparison", background_jobs.compare_pins)
