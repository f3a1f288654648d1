"""Contributions to the error, and the figures of one pose."""

from __future__ import annotations

from typing import Any

from nicegui import ui

from armsim.explorer import charts, view_model
from armsim.explorer.chart_export import Figure
from armsim.explorer.map_panel import MapPanel
from armsim.explorer.snapshot import Snapshot


class PosePanel:
    """Middle part of the right pane: contributions over the task or at the held pose, and the figures of the pose."""

    def __init__(self, maps: MapPanel) -> None:
        self.maps = maps
        self.drawn_state: tuple[Any, ...] = ()
        with ui.element("section").classes("pane").props('aria-label="contributions"'):
            with ui.row().classes("items-center justify-between w-full no-wrap"):
                self.title = ui.label().classes("quiet").props("data-name=parts-of")
                export_place = ui.element("div")
            self.figure = Figure(maps.session, "the contributions")
            self.figure.element.classes("w-full").style("height: 210px")
            with export_place:
                self.figure.menu()
            self.figures = ui.column().classes("w-full").style("gap: 0")

    def show(self, snapshot: Snapshot) -> None:
        """Update to the pose that is shown; a preview leaves the contributions as they are."""
        maps = self.maps
        pose, theme = maps.pose_of(snapshot), maps.theme()
        drawn_state = snapshot.key, snapshot.answer.units, maps.task, maps.pose, theme
        if drawn_state != self.drawn_state:
            self.drawn_state = drawn_state
            shares = view_model.shares(snapshot, maps.task, maps.pose)
            task, table = snapshot.study.scenario.tasks[maps.task], snapshot.answer.tables[maps.task]
            scope = f"over {task.name}" if maps.pose is None else f"at {table.names[maps.pose]}"
            self.title.set_text(f"parts of the mean square error {scope}")
            self.figure.show(charts.contributions(shares, theme), snapshot.name, self.title.text)
        frame = view_model.pose_frame(snapshot, maps.task, pose)
        self.figures.clear()
        with self.figures:
            label = ui.label(f"{maps.pose_title}: {frame.title}").classes("text-weight-medium")
            label.props("data-name=at-pose")
            for name, value in frame.rows:
                with ui.row().classes("justify-between w-full no-wrap"):
                    ui.label(name.text).classes("quiet")
                    ui.label(value.text)
