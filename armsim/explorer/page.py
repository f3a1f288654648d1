"""The page: rows of joints, map, arm, numbers; it shows what is on the desk and hands over what people do."""

from __future__ import annotations

import time
from typing import Any

from nicegui import ui

from armsim.disclaimer import LINE, WHOLE
from armsim.errors import InputError
from armsim.explorer import background_jobs, charts, view_model
from armsim.explorer.edit_options import Offered
from armsim.explorer.fast_text import Quick
from armsim.explorer.jobs_panel import Tray
from armsim.explorer.joint_panel import JointRows
from armsim.explorer.scene import Scene
from armsim.explorer.session import Desk, Shown
from armsim.tasks import PoseSet

PICKED = """(e) => {
  const p = e.points && e.points[0];
  if (p && p.customdata !== undefined && p.customdata !== null) emit(p.customdata);
}"""
"""Of what is pointed at in a chart, the number of the pose."""
TONES = {
    "good": "q-px-sm rounded-borders bg-green-8", "open": "q-px-sm rounded-borders bg-amber-4 text-black",
    "bad": "q-px-sm rounded-borders bg-red-8", "plain": "",
}  # fmt: skip
PRIMARY = "#2b6cb0"
"""White on it is read at 5:1."""
TICK = 0.01
"""Seconds between looks at the desk."""
SOON = 0.12
"""Seconds after a change in which its first order is awaited before the page says that it is at work."""
PATIENCE = 0.3
"""Seconds after a change that rows and maps wait for the first arms, whose numbers they would hold up."""
STYLE = """
body { font-size: 13px; }
.nicegui-content { padding: 0; }
.q-header { min-height: 46px; }
.desk .q-field--dense .q-field__control { min-height: 36px; }
.desk { display: grid; grid-template-columns: minmax(330px, 380px) minmax(420px, 1fr) minmax(270px, 310px);
        gap: 8px; padding: 8px; width: 100%; height: calc(100vh - 76px); box-sizing: border-box; }
.desk > div { min-height: 0; overflow: auto; }
.pane { border: 1px solid rgba(128,128,128,0.35); border-radius: 6px; padding: 6px 8px; }
.quiet { opacity: 0.75; font-size: 12px; }
.good { color: #1b7f4b; } .bad { color: #c1121f; } .open { color: #8a5a00; } .open::before { content: '⚠ '; }
.body--dark .good { color: #5fd19a; } .body--dark .bad { color: #ff8a8a; } .body--dark .open { color: #ffca5f; }
.figure { font-size: 15px; font-weight: 600; font-variant-numeric: tabular-nums; }
:focus-visible { outline: 3px solid #d08a00 !important; outline-offset: 1px; }
"""


class Page:
    """One tab."""

    def __init__(self, desk: Desk) -> None:
        self.desk, self.offered = desk, Offered.of(desk)
        self.task, self.measure, self.layer = (
            _first(desk),
            next(iter(view_model.columns(desk.study.scenario.requirement))),
            0,
        )
        self.pose: int | None = None
        self.version = -1
        self.drawn_key: tuple[Any, ...] = ()
        self.quick = Quick()
        self.written: list[str] = []
        self.design, self.hold, self.rest = "", 0.0, False
        self.waiting: Any = None
        self.due = 0.0
        self.dark = ui.dark_mode()
        ui.add_css(STYLE)
        ui.colors(primary=PRIMARY)
        ui.page_title(f"{desk.study.scenario.name} – armsim")
        self._header()
        with ui.element("main").classes("desk"):
            with ui.element("div").props('role=region aria-label="joints"'):
                self.joints = JointRows(desk, self.offered, self._refuse)
            with ui.element("div").classes("column no-wrap").style("gap: 8px"):
                self._maps()
                self.scene = Scene()
            with ui.element("div").classes("column no-wrap").style("gap: 8px"):
                self._numbers()
                self.tray = Tray(desk, self._look, self._refuse)
        with ui.footer().classes("q-px-md").style("background: inherit; color: inherit; padding: 2px 12px"):
            ui.label(f"Results are {LINE}.").classes("quiet").tooltip(WHOLE)
        ui.timer(TICK, self._tick)

    # --- what stands where -------------------------------------------------------------------------------------------

    def _header(self) -> None:
        desk = self.desk
        with (
            ui.header()
            .classes("items-center")
            .props("height-hint=46")
            .style("gap: 10px; padding: 4px 12px; height: 46px")
        ):
            ui.label(desk.study.scenario.name).classes("text-subtitle1 text-weight-bold ellipsis").style(
                "max-width: 34vw"
            )
            self.quick.place("verdict", "data-name=verdict aria-live=polite")
            self.quick.place("stage", "data-name=stage", "quiet")
            ui.space()
            self.undo = self._button("undo", "Undo (Ctrl+Z)", desk.undo, "undo")
            self.redo = self._button("redo", "Redo (Ctrl+Y)", desk.redo, "redo")
            self._button("push_pin", "Pin this design beside", self._pin, "pin")
            self._button("save", "Save this design as a scenario file", self._ask_save, "save")
            self._button("terminal", "Command that gives what is shown", self._show_command, "command")
            self._button("description", "Make the review and download it", self._review, "review")
            self._button("contrast", "Light or dark", self._toggle, "contrast")
        ui.keyboard(on_key=self._key, ignore=["input", "textarea"])

    @staticmethod
    def _button(icon: str, meaning: str, do: Any, name: str) -> Any:
        own = ui.button(icon=icon, on_click=do).props(
            f'flat dense round color=white aria-label="{meaning}" data-name={name}'
        )
        return own.tooltip(meaning)

    def _maps(self) -> None:
        desk = self.desk
        names = {n: task.name for n, task in enumerate(desk.study.scenario.tasks)}
        with (
            ui.element("div")
            .classes("pane")
            .style("flex: 1 1 56%; min-height: 260px; display: flex; flex-direction: column")
        ):
            with ui.row().classes("items-center no-wrap w-full").style("gap: 8px"):
                own = ui.select(names, value=self.task, label="task", on_change=self._other_task).props(
                    "dense options-dense"
                )
                own.classes("col-3").props("data-name=task")
                measures = view_model.measures(desk.study.scenario.machine.arm, desk.study.scenario.requirement)
                own = ui.select(measures, value=self.measure, label="shown", on_change=self._other_measure)
                own.props("dense options-dense data-name=measure").classes("col-4")
                self.layers = (
                    ui.select({}, label="layer", on_change=self._other_layer)
                    .props("dense options-dense")
                    .classes("col-2")
                )
                self.which = ui.select({}, label="pose", with_input=True, on_change=self._other_pose).props(
                    "dense options-dense data-name=pose"
                )
                self.which.classes("col")
                ui.button("worst", on_click=self._to_worst).props(
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
            self.chart.on("plotly_hover", self._pointed, throttle=0.08, js_handler=picked)
            self.chart.on("plotly_click", self._pointed, js_handler=picked)

    def _numbers(self) -> None:
        with ui.element("div").classes("pane").props('role=region aria-label="results"'):
            self.figures = ui.column().classes("w-full").style("gap: 4px")
        with ui.element("div").classes("pane"):
            ui.label("contributions").classes("quiet")
            self.parts = (
                ui.plotly({"data": [], "layout": {}, "config": charts.CONFIG}).classes("w-full").style("height: 210px")
            )
            self.at_pose = ui.column().classes("w-full").style("gap: 0")

    # --- what people do ----------------------------------------------------------------------------------------------

    def _refuse(self, error: InputError) -> None:
        ui.notify("; ".join(f"{p.key}: {p.found}; accepted: {p.accepted}" for p in error.problems[:3]), type="negative",
                  multi_line=True, close_button=True, timeout=9000)  # fmt: skip

    def _key(self, event: Any) -> None:
        if event.action.keydown and event.modifiers.ctrl:
            if event.key == "z":
                self.desk.undo()
            elif event.key == "y":
                self.desk.redo()

    def _toggle(self) -> None:
        self.dark.value = not self.dark.value
        self.version = -1

    def _look(self) -> charts.Look:
        return charts.Look.of(bool(self.dark.value))

    def _other_task(self, event: Any) -> None:
        self.task, self.pose, self.layer, self.version = int(event.value), None, 0, -1

    def _other_measure(self, event: Any) -> None:
        self.measure, self.version = str(event.value), -1

    def _other_layer(self, event: Any) -> None:
        if event.value is not None:
            self.layer, self.version = int(event.value), -1

    def _other_pose(self, event: Any) -> None:
        if event.value is not None and event.value != self.pose:
            self.pose, self.version = int(event.value), -1

    def _to_worst(self) -> None:
        shown = self.desk.answer
        if shown is not None:
            self.pose, self.version = view_model.worst_pose(shown, self.task), -1

    def _pointed(self, event: Any) -> None:
        number = event.args
        if isinstance(number, int) and 0 <= number < len(self.desk.found[self.task].names) and number != self.pose:
            self.pose, self.version = number, -1

    def _pin(self) -> None:
        self.desk.pin("as read" if not self.desk.design.changes else "design")

    def _show_command(self) -> None:
        text = background_jobs.command(self.desk)
        with ui.dialog(value=True), ui.card():
            ui.label("This gives what is shown:")
            ui.code(text, language="bash").classes("w-full").props("data-name=command-text")

    def _review(self) -> None:
        self.tray.begin("review", lambda progress: background_jobs.review(self.desk, progress))

    def _ask_save(self) -> None:
        with ui.dialog(value=True) as dialog, ui.card():
            ui.label("Saved beside the scenario, as a change of it; the original and its comments stay as they are.")
            stem = background_jobs.scenario_of(self.desk).stem
            name = (
                ui.input("name of the file", value=f"{stem}-explored.yaml")
                .classes("w-full")
                .props("data-name=save-name")
            )
            over = ui.checkbox("replace it if it is there").props("data-name=save-over")

            def go() -> None:
                try:
                    path = background_jobs.save(self.desk, str(name.value).strip(), bool(over.value))
                except InputError as error:
                    name.props(f'error error-message="{_plain(error.problems[0].found)}"')
                    return
                ui.notify(f"saved: {path.name}", type="positive")
                dialog.close()

            name.on("keydown.enter", go)
            with ui.row():
                ui.button("save", on_click=go).props("no-caps data-name=save-go")
                ui.button("cancel", on_click=dialog.close).props("flat no-caps")

    # --- what is shown -----------------------------------------------------------------------------------------------

    def _tick(self) -> None:
        desk, now = self.desk, time.monotonic()
        version = desk.version  # read before the answer: what comes in between is told at the next look
        if self.version != version:
            shown, key = desk.answer, desk.design.key
            if key != self.design:
                self.design, self.hold = key, now + SOON
                if not self.rest and self.waiting is None:  # else a slider would keep the map from ever moving
                    self.due = now + PATIENCE
            if shown is None and now < self.hold:
                return  # the first order is due
            self.version, self.rest = version, True
            if shown is not None and shown.answer.units:
                self.due = now
            self._say(shown)
        elif now >= self.due and self.rest:
            self.rest = False
            self._show_rest()
        elif now >= self.due and self.waiting is not None:
            shown, self.waiting = self.waiting, None
            self._draw(shown)

    def _say(self, shown: Shown | None) -> None:
        """Write what is new in numbers, before all else."""
        text, tone = view_model.verdict(shown)
        texts = {
            "stage": (view_model.stage(shown), "quiet"),
            "verdict": (text, f"text-weight-bold {TONES[tone]}"),
        }
        if shown is not None:
            key = shown.key, shown.answer.units, self.task, self.measure, self.layer, self.pose, bool(self.dark.value)
            if key != self.drawn_key:
                self.drawn_key, self.waiting = key, shown
                numbers = view_model.numbers(shown, self.task)
                if self.written != [own.name for own in numbers]:
                    self._place_numbers(numbers)
                texts |= {own.name: (own.text, f"figure {own.tone}") for own in numbers}
        self.quick.say(texts, "" if shown is None else shown.key)

    def _show_rest(self) -> None:
        """Show what is new beside the numbers."""
        for button, there in ((self.undo, self.desk.history.undone), (self.redo, self.desk.history.redone)):
            if button.enabled != (there is not None):
                button.set_enabled(there is not None)
        self.joints.show()
        self.tray.show()

    def _draw(self, shown: Any) -> None:
        poses, look = self.desk.found[self.task], self._look()
        pose = view_model.worst_pose(shown, self.task) if self.pose is None else self.pose
        names = dict(enumerate(poses.names))
        if self.which.options != names:
            self.which.set_options(names)
        if self.which.value != pose and self.pose is not None:
            self.which.value = pose
        depth = poses.grid.centres[2] if poses.grid is not None and len(poses.grid.axes) == 3 else ()
        levels = {n: f"z {1e3 * z:g} mm" for n, z in enumerate(depth)}
        self.layers.set_visibility(bool(levels))
        if levels and self.layers.options != levels:
            self.layers.set_options(levels, value=self.layer)
        column = shown.answer.tables[self.task].column("conditioning")
        values = view_model.values(shown, self.task, self.measure)
        self.chart.update_figure(charts.over_poses(poses, values, column, pose, look, self.layer))
        self.parts.update_figure(
            charts.contributions(view_model.shares(shown, self.task, pose if self.pose is not None else None), look)
        )
        self.scene.show(view_model.posture(shown, poses, self.task, pose))
        self._write_pose(shown, poses, pose)

    def _place_numbers(self, numbers: list[view_model.Number]) -> None:
        self.written = [own.name for own in numbers]
        self.figures.clear()
        with self.figures:
            for own in numbers:
                with ui.row().classes("items-baseline justify-between w-full no-wrap").style("gap: 6px") as row:
                    ui.label(own.name).classes("quiet")
                    self.quick.place(own.name, f'data-number="{own.name}"', f"figure {own.tone}", own.text)
                row.tooltip(f"{own.meaning} Required: {own.wanted}." if own.wanted else own.meaning)

    def _write_pose(self, shown: Any, poses: PoseSet, pose: int) -> None:
        self.at_pose.clear()
        with self.at_pose:
            where = "worst pose" if self.pose is None else "pose"
            ui.label(f"{where}: {poses.names[pose]}").classes("text-weight-medium").props("data-name=at-pose")
            for name, text in view_model.of_pose(shown, self.task, pose):
                with ui.row().classes("justify-between w-full no-wrap"):
                    ui.label(name).classes("quiet")
                    ui.label(text)


def _first(desk: Desk) -> int:
    """The task to begin with: one with cells, where there is one."""
    return next((n for n, poses in enumerate(desk.found) if poses.grid is not None), 0)


def _plain(text: str) -> str:
    return text.replace('"', "'").replace("\n", " ")[:120]
