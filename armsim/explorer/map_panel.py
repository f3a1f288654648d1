"""Map of the chosen task: selectors of task, measure, layer and pose, and the chart over the poses."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nicegui import ui

from armsim.explorer import charts, view_model
from armsim.explorer.chart_export import Figure
from armsim.explorer.session import Session
from armsim.explorer.snapshot import Snapshot

PICKED = """(e) => {
  const p = e.points && e.points[0];
  if (p && p.customdata !== undefined && p.customdata !== null) emit(p.customdata);
}"""
"""Script that emits the number of the pose under the pointer in a chart."""
LEGEND = "Grey: cannot be reached; crosses: near-singular; red: requirement; ring: pose of the arm."
HINT = "Point at a pose to preview it, click to hold it."


class MapPanel:
    """Upper part of the middle pane.

    ``pose`` is the pose that is held; None while the worst one is followed. ``previewed`` is the one under the pointer.
    """

    def __init__(self, session: Session, theme: Callable[[], charts.Theme], choose: Callable[[], None]) -> None:
        self.session, self.theme, self.choose = session, theme, choose
        self.task, self.layer = _first(session), 0
        self.measure = next(iter(view_model.columns(session.study.scenario.requirement)))
        self.pose: int | None = None
        self.previewed: int | None = None
        self.drawn_state: tuple[Any, ...] = ()
        scenario = session.study.scenario
        names = {n: task.name for n, task in enumerate(scenario.tasks)}
        with ui.element("section").classes("pane map-pane").props('aria-label="map"'):
            with ui.row().classes("items-center w-full selectors"):
                self.task_selector = ui.select(names, value=self.task, label="task", on_change=self._other_task)
                self.task_selector.props("dense options-dense data-name=task")
                measures = list(view_model.measures(scenario.machine.arm, scenario.requirement))
                selector = ui.select(measures, value=self.measure, label="shown", on_change=self._other_measure)
                selector.props("dense options-dense data-name=measure")
                self.layers = ui.select({}, label="layer", on_change=self._other_layer).props("dense options-dense")
                self.pose_selector = ui.select({}, label="pose", with_input=True, on_change=self._other_pose)
                self.pose_selector.props("dense options-dense data-name=pose")
                ui.button("worst", on_click=self._follow_worst).props(
                    'flat dense no-caps data-name=worst aria-label="follow the worst pose"'
                )
                export_place = ui.element("div")
            self.figure = Figure(session, "the map")
            self.chart = self.figure.element.classes("w-full chart")
            with export_place:
                self.figure.menu()
            self.legend = ui.label(HINT).classes("quiet")
            self.chart.on("plotly_hover", self._preview, throttle=0.08, js_handler=PICKED)
            self.chart.on("plotly_unhover", self._end_preview, js_handler="() => emit()")
            self.chart.on("plotly_click", self._hold_pose, js_handler=PICKED)

    @property
    def view(self) -> tuple[Any, ...]:
        """All that was chosen, for a comparison."""
        return self.task, self.measure, self.layer, self.pose, self.previewed

    def pose_of(self, snapshot: Snapshot) -> int:
        """Number of the pose that is shown: the previewed, the held, or the worst one."""
        for pose in (self.previewed, self.pose):
            if pose is not None:
                return pose
        return view_model.worst_pose(snapshot, self.task)

    @property
    def pose_title(self) -> str:
        """Title of the pose that is shown."""
        if self.previewed is not None and self.previewed != self.pose:
            return "preview"
        return "worst pose" if self.pose is None else "pose"

    def select_task(self, task: int) -> None:
        """Show another task."""
        self.task_selector.value = task

    def _other_task(self, event: Any) -> None:
        if int(event.value) != self.task:
            self.task, self.pose, self.previewed, self.layer = int(event.value), None, None, 0
            self.choose()

    def _other_measure(self, event: Any) -> None:
        self.measure = str(event.value)
        self.choose()

    def _other_layer(self, event: Any) -> None:
        if event.value is not None:
            self.layer = int(event.value)
            self.choose()

    def _other_pose(self, event: Any) -> None:
        if event.value is not None and event.value != self.pose:
            self.pose = int(event.value)
            self.choose()

    def _follow_worst(self) -> None:
        self.pose = self.previewed = None
        self.choose()

    def _is_pose(self, number: Any) -> bool:
        return isinstance(number, int) and 0 <= number < len(self.session.poses[self.task].names)

    def _preview(self, event: Any) -> None:
        if self._is_pose(event.args) and event.args != self.previewed:
            self.previewed = event.args
            self.choose()

    def _end_preview(self) -> None:
        if self.previewed is not None:
            self.previewed = None
            self.choose()

    def _hold_pose(self, event: Any) -> None:
        if self._is_pose(event.args):
            self.pose, self.previewed = event.args, None
            self.choose()

    def show(self, snapshot: Snapshot) -> None:
        """Update selectors and chart, where they changed; a preview does not change them."""
        pose = view_model.worst_pose(snapshot, self.task) if self.pose is None else self.pose
        theme = self.theme()
        drawn_state = (snapshot.key, snapshot.answer.units, self.task, self.measure, self.layer, pose, theme)
        if drawn_state == self.drawn_state:
            return
        self.drawn_state = drawn_state
        poses = self.session.poses[self.task]
        self.legend.set_text(f"{HINT} {LEGEND}" if poses.grid is not None else HINT)
        names = dict(enumerate(poses.names))
        if self.pose_selector.options != names:
            self.pose_selector.set_options(names)
        if self.pose_selector.value != self.pose:
            self.pose_selector.value = self.pose
        depth = poses.grid.centres[2] if poses.grid is not None and len(poses.grid.axes) == 3 else ()
        levels = {n: f"z {1e3 * z:g} mm" for n, z in enumerate(depth)}
        self.layers.set_visibility(bool(levels))
        if levels and self.layers.options != levels:
            self.layers.set_options(levels, value=self.layer)
        column = snapshot.answer.tables[self.task].column("conditioning")
        values = view_model.values(snapshot, self.task, self.measure)
        chart = charts.over_poses(poses, values, column, pose, theme, self.layer)
        self.figure.show(chart, snapshot.name)


def _first(session: Session) -> int:
    """Number of the initial task: the first with cells, or else 0."""
    return next((n for n, poses in enumerate(session.poses) if poses.grid is not None), 0)
