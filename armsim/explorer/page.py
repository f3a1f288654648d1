"""The page: joints, map, arm and numbers. It renders the session and forwards user actions."""

from __future__ import annotations

import json
import shlex
import time
from typing import Any

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
from armsim.explorer.numbers_panel import NumbersPanel
from armsim.explorer.scene import Scene
from armsim.explorer.session import Session
from armsim.explorer.snapshot import Snapshot
from armsim.explorer.stylesheet import CSS, PRIMARY

SHORTCUTS = """<script>
(() => {
  let typed = null;  // the field with a text that is being typed, whose own undo comes first
  const types = ['text', 'search', 'number', ''];
  const isText = e => e.tagName === 'TEXTAREA' || e.isContentEditable
    || (e.tagName === 'INPUT' && !e.readOnly && types.includes(e.type));
  document.addEventListener('input', e => { if (isText(e.target)) typed = e.target; }, true);
  document.addEventListener('focusout', () => { typed = null; }, true);
  document.addEventListener('keydown', e => {
    if (e.key === 'Enter' && e.target.tagName !== 'TEXTAREA') typed = null;
    if (!(e.ctrlKey || e.metaKey) || e.altKey || (typed && typed === document.activeElement)) return;
    const key = e.key.toLowerCase();
    const what = key === 'z' ? (e.shiftKey ? 'redo' : 'undo') : key === 'y' ? 'redo' : '';
    if (!what) return;
    e.preventDefault();
    emitEvent('armsim-' + what);
  }, true);
})();
</script>"""
"""Undo and redo by keys, wherever the focus is, but in a text that is being typed."""
LOST = """<script>
document.addEventListener('DOMContentLoaded', () => {
  const [first, second] = document.querySelectorAll('#popup span');
  first.textContent = 'The server of this page does not answer; it is tried again.';
  second.textContent = 'Was it ended? Start it again and open the address that it prints: ' + %s;
});
</script>"""
"""Text shown when the server has ended: a server that is started again has another token."""
PICKED = """(e) => {
  const p = e.points && e.points[0];
  if (p && p.customdata !== undefined && p.customdata !== null) emit(p.customdata);
}"""
"""Script that emits the number of the pose under the pointer in a chart."""
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

    def __init__(self, session: Session) -> None:
        self.session, self.choices = session, Choices.of(session)
        self.generation = session.generation
        self.task, self.measure, self.layer = (
            _first(session),
            next(iter(view_model.columns(session.study.scenario.requirement))),
            0,
        )
        self.pose: int | None = None
        self.version = -1
        self.charts_key: tuple[Any, ...] = ()
        self.fast_text = FastText()
        self.design, self.first_order_due, self.panels_stale = "", 0.0, False
        self.pending: Any = None
        self.redraw_due = 0.0
        self.dark = ui.dark_mode()
        ui.on_exception(self._fault)
        ui.add_css(CSS)
        ui.add_body_html(SHORTCUTS)
        start = shlex.join(["armsim", "explore", str(session.file)])
        ui.add_body_html(LOST % json.dumps(start).replace("<", "\\u003c"))
        ui.on("armsim-undo", session.undo)
        ui.on("armsim-redo", session.redo)
        ui.colors(primary=PRIMARY)
        ui.page_title(f"{session.study.scenario.name} – armsim")
        self._header()
        self.files_notice = FilesNotice(session, self._begin)
        with ui.element("main").classes("panes") as panes:
            with ui.element("div").props('role=region aria-label="joints"'):
                self.joints = JointRows(session, self.choices, self._refuse)
            with ui.element("div").classes("column no-wrap").style("gap: 8px"):
                self._maps()
                self.scene = Scene()
            with ui.element("div").classes("column no-wrap").style("gap: 8px"):
                self.numbers = NumbersPanel(session, self.fast_text, self._select_task)
                self._contributions()
                self.jobs_panel = JobsPanel(session, self._theme, self._refuse)
        self.jobs_panel.drawer.make_room(panes)
        with ui.footer().classes("page-footer q-px-md"):
            ui.label(f"Results are {LINE}.").classes("quiet").tooltip(WHOLE)
        ui.timer(TICK, self._tick)
        ui.timer(WATCH, self.files_notice.show)

    # --- layout -------------------------------------------------------------------------------------------------------

    def _header(self) -> None:
        session = self.session
        with (
            ui.header()
            .classes("items-center")
            .props("height-hint=46")
            .style("gap: 10px; padding: 4px 12px; min-height: 46px")
        ):
            ui.label(session.study.scenario.name).classes("text-subtitle1 text-weight-bold ellipsis").style(
                "max-width: 26vw"
            )
            self.fast_text.add("verdict", "data-name=verdict aria-live=polite")
            self.fast_text.add("stage", "data-name=stage")
            ui.space()
            self.undo = self._button("undo", "Undo (Ctrl+Z)", session.undo, "undo")
            self.redo = self._button("redo", "Redo (Ctrl+Shift+Z, Ctrl+Y)", session.redo, "redo")
            self._button("push_pin", "Pin this design to compare it", session.pin, "pin")
            self._button("save", "Save this design as a scenario file", self._open_save_dialog, "save")
            self._button("terminal", "Command that reproduces what is shown", self._show_command, "command")
            self._button("description", "Make the review and download it", self._review, "review")
            self._button("contrast", "Light or dark", self._toggle, "contrast")

    @staticmethod
    def _button(icon: str, meaning: str, do: Any, name: str) -> Any:
        button = ui.button(icon=icon, on_click=lambda: do()).props(
            f'flat dense round color=white aria-label="{meaning}" data-name={name}'
        )
        return button.tooltip(meaning)

    def _maps(self) -> None:
        session = self.session
        names = {n: task.name for n, task in enumerate(session.study.scenario.tasks)}
        with (
            ui.element("div")
            .classes("pane")
            .style("flex: 1 1 56%; min-height: 260px; display: flex; flex-direction: column")
        ):
            with ui.row().classes("items-center no-wrap w-full").style("gap: 8px"):
                self.task_selector = ui.select(names, value=self.task, label="task", on_change=self._other_task)
                self.task_selector.classes("col-3").props("dense options-dense data-name=task")
                scenario = session.study.scenario
                measures = list(view_model.measures(scenario.machine.arm, scenario.requirement))
                selector = ui.select(measures, value=self.measure, label="shown", on_change=self._other_measure)
                selector.props("dense options-dense data-name=measure").classes("col-4")
                self.layers = (
                    ui.select({}, label="layer", on_change=self._other_layer)
                    .props("dense options-dense")
                    .classes("col-2")
                )
                self.pose_selector = ui.select({}, label="pose", with_input=True, on_change=self._other_pose).props(
                    "dense options-dense data-name=pose"
                )
                self.pose_selector.classes("col")
                ui.button("worst", on_click=self._select_worst).props(
                    'flat dense no-caps data-name=worst aria-label="go to the worst pose"'
                )
            self.chart = (
                ui.plotly({"data": [], "layout": {}, "config": charts.CONFIG})
                .classes("w-full")
                .style("flex: 1; min-height: 0")
            )
            picked = PICKED
            text = "grey: cannot be reached; crosses: near-singular; red: requirement; ring: the pose of the arm below"
            ui.label(text).classes("quiet")
            self.chart.on("plotly_hover", self._select_pointed, throttle=0.08, js_handler=picked)
            self.chart.on("plotly_click", self._select_pointed, js_handler=picked)

    def _contributions(self) -> None:
        with ui.element("div").classes("pane"):
            self.parts_title = ui.label().classes("quiet").props("data-name=parts-of")
            self.parts = (
                ui.plotly({"data": [], "layout": {}, "config": charts.CONFIG}).classes("w-full").style("height: 210px")
            )
            self.at_pose = ui.column().classes("w-full").style("gap: 0")

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
        self.version = -1

    def _theme(self) -> charts.Theme:
        return charts.Theme.of(bool(self.dark.value))

    def _other_task(self, event: Any) -> None:
        if int(event.value) != self.task:
            self.task, self.pose, self.layer, self.version = int(event.value), None, 0, -1

    def _select_task(self, task: int) -> None:
        self.task_selector.value = task

    def _other_measure(self, event: Any) -> None:
        self.measure, self.version = str(event.value), -1

    def _other_layer(self, event: Any) -> None:
        if event.value is not None:
            self.layer, self.version = int(event.value), -1

    def _other_pose(self, event: Any) -> None:
        if event.value is not None and event.value != self.pose:
            self.pose, self.version = int(event.value), -1

    def _select_worst(self) -> None:
        snapshot = self.session.snapshot
        if snapshot is not None:
            self.pose, self.version = view_model.worst_pose(snapshot, self.task), -1

    def _select_pointed(self, event: Any) -> None:
        number = event.args
        if isinstance(number, int) and 0 <= number < len(self.session.poses[self.task].names) and number != self.pose:
            self.pose, self.version = number, -1

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

            def go() -> None:
                try:
                    path = saving.save(self.session, str(name.value).strip(), bool(scope.value))
                except InputError as error:
                    problem = error.problems[0]
                    name.props(f'error error-message="{_plain(f"{problem.file}: {problem.actual}")}"')
                    return
                ui.notify(f"saved: {path.name}", type="positive")
                dialog.close()

            name.on("keydown.enter", go)
            with ui.row():
                ui.button("save", on_click=go).props("no-caps data-name=save-go")
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
        """Update the numbers, before the slower charts."""
        text, tone = view_model.verdict(snapshot)
        texts = {
            "stage": Written(view_model.stage(snapshot, fault), "verdict-bad" if fault else ""),
            "verdict": Written(text and f"requirement {text}", f"text-weight-bold {TONES[tone]}"),
        }
        if snapshot is not None:
            view = self.task, self.measure, self.layer, self.pose, bool(self.dark.value)
            key = (snapshot.key, snapshot.answer.units, *view)
            if key != self.charts_key:
                self.charts_key, self.pending = key, snapshot
                texts |= self.numbers.texts(snapshot, self.task)
        self.fast_text.update(texts, "" if snapshot is None else snapshot.key)

    def _show_panels(self) -> None:
        """Update buttons, rows of joints and jobs."""
        for button, design in ((self.undo, self.session.history.undone), (self.redo, self.session.history.redone)):
            if button.enabled != (design is not None):
                button.set_enabled(design is not None)
        self.joints.show()
        self.jobs_panel.show()

    def _show_charts(self, snapshot: Any) -> None:
        poses, theme = self.session.poses[self.task], self._theme()
        pose = view_model.worst_pose(snapshot, self.task) if self.pose is None else self.pose
        names = dict(enumerate(poses.names))
        if self.pose_selector.options != names:
            self.pose_selector.set_options(names)
        if self.pose_selector.value != pose and self.pose is not None:
            self.pose_selector.value = pose
        depth = poses.grid.centres[2] if poses.grid is not None and len(poses.grid.axes) == 3 else ()
        levels = {n: f"z {1e3 * z:g} mm" for n, z in enumerate(depth)}
        self.layers.set_visibility(bool(levels))
        if levels and self.layers.options != levels:
            self.layers.set_options(levels, value=self.layer)
        column = snapshot.answer.tables[self.task].column("conditioning")
        values = view_model.values(snapshot, self.task, self.measure)
        self.chart.update_figure(charts.over_poses(poses, values, column, pose, theme, self.layer))
        self.parts.update_figure(
            charts.contributions(view_model.shares(snapshot, self.task, pose if self.pose is not None else None), theme)
        )
        scope = f"over {self.task_selector.options[self.task]}" if self.pose is None else f"at {poses.names[pose]}"
        self.parts_title.set_text(f"parts of the mean square error {scope}")
        self.scene.show(view_model.posture(snapshot, poses, self.task, pose))
        self._write_pose(snapshot, pose)

    def _write_pose(self, snapshot: Any, pose: int) -> None:
        self.at_pose.clear()
        with self.at_pose:
            title, frame = (
                "worst pose" if self.pose is None else "pose",
                view_model.pose_frame(snapshot, self.task, pose),
            )
            ui.label(f"{title}: {frame.title}").classes("text-weight-medium").props("data-name=at-pose")
            for name, value in frame.rows:
                with ui.row().classes("justify-between w-full no-wrap"):
                    ui.label(name.text).classes("quiet")
                    ui.label(value.text)


def _first(session: Session) -> int:
    """Number of the initial task: the first with cells, or else 0."""
    return next((n for n, poses in enumerate(session.poses) if poses.grid is not None), 0)


def _plain(text: str) -> str:
    return text.replace('"', "'").replace("\n", " ")[:120]
