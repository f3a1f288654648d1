"""The page: joints, map, arm and numbers. It renders the session and forwards user actions."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from nicegui import ui

from armsim.disclaimer import LINE, WHOLE
from armsim.errors import InputError
from armsim.explorer import background_jobs, charts, saving, view_model
from armsim.explorer.edit_options import Choices
from armsim.explorer.fast_text import FastText, Written
from armsim.explorer.files_notice import FilesNotice
from armsim.explorer.job_runner import Work, fault_text
from armsim.explorer.jobs_panel import JobsPanel
from armsim.explorer.joint_panel import JointRows
from armsim.explorer.map_panel import MapPanel
from armsim.explorer.numbers_panel import NumbersPanel
from armsim.explorer.pins_panel import PinsPanel
from armsim.explorer.pose_panel import PosePanel
from armsim.explorer.scene import Scene
from armsim.explorer.scripts import SHORTCUTS, lost_notice
from armsim.explorer.session import Session
from armsim.explorer.snapshot import Snapshot
from armsim.explorer.space_map import points_in_view, space_map
from armsim.explorer.stylesheet import CSS, PRIMARY
from armsim.explorer.tour import Tour, is_seen

TONES = {
    "good": "q-px-sm rounded-borders verdict-good", "open": "q-px-sm rounded-borders verdict-open",
    "bad": "q-px-sm rounded-borders verdict-bad", "plain": "",
}  # fmt: skip
TICK = 0.01
"""Seconds between updates of the page from the session."""
WATCH = 2.0
"""Seconds between looks at the files on disk."""
SOON = 0.12
"""Seconds after a change for which the page waits for the first order before it shows "working"."""
PATIENCE = 0.3
"""Seconds after a change by which rows and maps are redrawn at the latest; they wait for the first sampled arms."""


class Page:
    """The page of one browser tab."""

    def __init__(self, session: Session, command: str) -> None:
        self.session, self.choices = session, Choices.of(session)
        self.generation = session.generation
        self.version = -1
        self.charts_key: tuple[Any, ...] = ()
        self.fast_text = FastText()
        self.design, self.first_order_due, self.panels_stale = "", 0.0, False
        self.pending: Snapshot | None = None
        self.redraw_due = 0.0
        self.dark = ui.dark_mode()
        ui.on_exception(self._fault)
        ui.add_css(CSS)
        ui.add_body_html(SHORTCUTS)
        ui.add_body_html(lost_notice(command))
        ui.on("armsim-undo", session.undo)
        ui.on("armsim-redo", session.redo)
        ui.colors(primary=PRIMARY)
        ui.page_title(f"{session.study.scenario.name} – armsim")
        self.tour = Tour()
        self._header()
        self.files_notice = FilesNotice(session, self._begin)
        with ui.element("div").classes("panes") as panes:
            with ui.element("div").classes("joints-pane").props('role=region aria-label="joints"'):
                self.joints = JointRows(session, self.choices, self._refuse)
            with ui.element("div").classes("column no-wrap maps-pane").style("gap: 8px"):
                self.maps = MapPanel(session, self._theme, self._redraw)
                self.scene = Scene(session)
            with ui.element("div").classes("column no-wrap results-pane").style("gap: 8px"):
                self.numbers = NumbersPanel(session, self.fast_text, self.maps.select_task, self._refuse)
                self.jobs_panel = JobsPanel(session, self._theme, self._refuse)
                self.pose_panel = PosePanel(self.maps)
                self.pins_panel = PinsPanel(session, self._begin)
        self.jobs_panel.drawer.make_room(panes)
        with ui.footer().classes("page-footer q-px-md"):
            ui.label(f"Results are {LINE}.").classes("quiet").tooltip(WHOLE)
        if not is_seen():
            self.tour.open()
        ui.timer(TICK, self._tick)
        ui.timer(WATCH, self.files_notice.show)

    # --- layout -------------------------------------------------------------------------------------------------------

    def _header(self) -> None:
        session = self.session
        with ui.header().classes("items-center").props("height-hint=46"):
            title = ui.label(session.study.scenario.name).props("role=heading aria-level=1")
            title.classes("text-subtitle1 text-weight-bold ellipsis page-title").tooltip(session.study.scenario.name)
            self.fast_text.add("verdict", "data-name=verdict aria-live=polite").classes("page-verdict")
            self.fast_text.add("stage", "data-name=stage").classes("page-stage")
            with ui.row().classes("items-center no-wrap page-buttons"):
                self.undo = self._button("undo", "Undo (Ctrl+Z)", session.undo, "undo")
                self.redo = self._button("redo", "Redo (Ctrl+Shift+Z, Ctrl+Y)", session.redo, "redo")
                self._button("push_pin", "Pin this design to compare it", session.pin, "pin")
                self._button("save", "Save this design as a scenario file", self._open_save_dialog, "save")
                self._button("terminal", "Command that reproduces what is shown", self._show_command, "command")
                self._button("description", "Make the review and download it", self._review, "review")
                self._button("contrast", "Light or dark", self._toggle, "contrast")
                self._button("help_outline", "Tour of the page", self.tour.open, "tour-again")

    @staticmethod
    def _button(icon: str, meaning: str, do: Any, name: str) -> Any:
        button = ui.button(icon=icon, on_click=lambda: do()).props(
            f'flat dense round size=13px color=white aria-label="{meaning}" data-name={name}'
        )
        return button.tooltip(meaning)

    # --- user actions -------------------------------------------------------------------------------------------------

    def _refuse(self, error: InputError) -> None:
        texts = (
            f"{problem.key or problem.file}: {problem.actual}; accepted: {problem.accepted}"
            for problem in error.problems[:3]
        )
        self._warn("; ".join(texts))

    def _warn(self, text: str) -> None:
        ui.notify(text, type="negative", multi_line=True, close_button=True, timeout=9000)

    def _fault(self, error: Exception) -> None:
        """Show the error of an action or update; the page continues."""
        if isinstance(error, InputError):
            self._refuse(error)
        else:
            self._warn(f"this could not be done or shown: {fault_text(error)}")

    def _begin(self, name: str, work: Work) -> None:
        self.jobs_panel.begin(name, work)

    def _toggle(self) -> None:
        self.dark.value = not self.dark.value
        self.scene.colour(bool(self.dark.value))
        self._redraw()

    def _redraw(self) -> None:
        """Show the same answer again, in another way."""
        self.version = -1

    def _theme(self) -> charts.Theme:
        return charts.Theme.of(bool(self.dark.value))

    def _show_command(self) -> None:
        try:
            text = saving.command(self.session)
        except InputError as error:
            self._refuse(error)
            return
        with ui.dialog(value=True), ui.card():
            ui.label("Command that reproduces what is shown:")
            ui.code(text, language="bash").classes("w-full").props("data-name=command-text")

    def _review(self) -> None:
        try:
            self.session.refuse_changed_files()
        except InputError as error:
            self._refuse(error)
            return
        self.jobs_panel.begin("review", background_jobs.review)

    def _open_save_dialog(self) -> None:
        with ui.dialog(value=True) as dialog, ui.card():
            ui.label("Saved beside the scenario, as a change of it; the original stays unchanged.")
            stem = self.session.file.stem
            name = ui.input("file name", value=f"{stem}-explored.yaml").classes("w-full").props("data-name=save-name")
            scope = ui.checkbox("replace an existing file").props("data-name=save-over")

            def go(save: Callable[[Session, str, bool], Path]) -> None:
                try:
                    path = save(self.session, str(name.value).strip(), bool(scope.value))
                except InputError as error:
                    problem = error.problems[0]
                    name.props(f'error error-message="{_plain(f"{problem.file}: {problem.actual}")}"')
                    return
                ui.notify(f"saved: {path.name}", type="positive")
                dialog.close()

            name.on("keydown.enter", lambda: go(saving.save))
            with ui.row():
                ui.button("save", on_click=lambda: go(saving.save)).props("no-caps data-name=save-go")
                session_button = ui.button("save the session", on_click=lambda: go(saving.save_session))
                session_button.props("no-caps flat data-name=save-session").tooltip(
                    "Design, pinned designs and notes, for armsim explore --session FILE."
                )
                ui.button("cancel", on_click=dialog.close).props("flat no-caps")

    # --- updates ------------------------------------------------------------------------------------------------------

    def _tick(self) -> None:
        session, time_now = self.session, time.monotonic()
        version = session.version  # read before the snapshot: a change in between shows at the next tick
        if self.version != version:
            if session.generation != self.generation:
                self.generation = session.generation
                ui.navigate.reload()
            snapshot, key, fault = session.snapshot, session.design.key, session.fault
            if key != self.design:
                self.design, self.first_order_due = key, time_now + SOON
                if not self.panels_stale and self.pending is None:  # else a moving slider would defer the map for ever
                    self.redraw_due = time_now + PATIENCE
            if snapshot is None and time_now < self.first_order_due and not fault:
                return  # wait for the first order
            self.version, self.panels_stale = version, True
            if snapshot is not None and snapshot.answer.units:
                self.redraw_due = time_now
            self._show_numbers(snapshot, fault)
        elif time_now >= self.redraw_due and self.panels_stale:
            self.panels_stale = False
            self._show_panels()
        elif time_now >= self.redraw_due and self.pending is not None:
            snapshot, self.pending = self.pending, None
            self._show_charts(snapshot)

    def _show_numbers(self, snapshot: Snapshot | None, fault: str) -> None:
        """Update the numbers and the way back, before the slower charts."""
        for button, design in ((self.undo, self.session.history.undone), (self.redo, self.session.history.redone)):
            if button.enabled != (design is not None):
                button.set_enabled(design is not None)
        text, tone = view_model.verdict(snapshot)
        texts = {
            "stage": Written(view_model.stage(snapshot, fault), "verdict-bad" if fault else ""),
            "verdict": Written(text and f"requirement {text}", f"text-weight-bold {TONES[tone]}"),
        }
        if snapshot is not None:
            key = (snapshot.key, snapshot.answer.units, *self.maps.view, bool(self.dark.value))
            if key != self.charts_key:
                self.charts_key, self.pending = key, snapshot
                texts |= self.numbers.texts(snapshot, self.maps.task)
        self.fast_text.update(texts, "" if snapshot is None else snapshot.key)

    def _show_panels(self) -> None:
        """Update rows of joints, jobs and pinned designs."""
        self.joints.show()
        self.jobs_panel.show()
        self.pins_panel.show()

    def _show_charts(self, snapshot: Snapshot) -> None:
        maps = self.maps
        poses, task = self.session.poses[maps.task], maps.task
        maps.show(snapshot)
        self.pose_panel.show(snapshot)
        self.scene.show(view_model.posture(snapshot, poses, task, maps.pose_of(snapshot)), snapshot.name)
        arm = snapshot.study.scenario.machine.arm
        self.scene.frame((self.generation, task), lambda: points_in_view(arm, poses))
        if snapshot.complete or not snapshot.answer.units:  # the steps between would only flicker
            positions = np.asarray(snapshot.answer.tables[task].column("position"))
            values = view_model.values(snapshot, task, maps.measure)
            key = (snapshot.key, snapshot.answer.units, task, maps.measure, maps.layer)
            self.scene.show_map(key, space_map(poses, values, positions, maps.layer))


def _plain(text: str) -> str:
    return text.replace('"', "'").replace("\n", " ")[:120]
