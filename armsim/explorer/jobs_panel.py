"""Panel under the numbers: buttons that start background jobs, the running one, and results."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from nicegui import ui

from armsim.errors import InputError
from armsim.explorer import charts
from armsim.explorer.job_runner import Job, Work
from armsim.explorer.questions import Questions
from armsim.explorer.results_drawer import ResultsDrawer
from armsim.explorer.session import Session

EVERY = 0.1
"""Seconds between two updates of a job's progress."""


class JobsPanel:
    """Part of the right pane: buttons that start jobs, the running job, results."""

    def __init__(
        self, session: Session, theme: Callable[[], charts.Theme], refuse: Callable[[InputError], None]
    ) -> None:
        self.session, self.refuse = session, refuse
        self.drawer = ResultsDrawer(session, theme, refuse, self.begin)
        self.jobs_key: tuple[Any, ...] = ()
        self.running, self.progress_time = -1, 0.0
        self.started = 0
        self.progress: Any = None
        self.bar: Any = None
        with ui.element("div").classes("pane questions").props('role=region aria-label="questions"'):
            Questions(session, self.begin)
            self.work = ui.column().classes("w-full").style("gap: 2px")

    def begin(self, name: str, work: Work) -> None:
        """Start a job on the present design, or notify that another one is running."""
        number = self.session.start_job(name, work)
        if number:
            self.started = number
        else:
            ui.notify("another job is running; stop it first", type="warning")

    def show(self) -> None:
        """Update jobs, where they changed."""
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
