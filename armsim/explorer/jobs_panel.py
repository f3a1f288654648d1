"""The tray under the numbers: pinned designs, and longer pieces of work with what came of them."""

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
from armsim.explorer.session import Desk
from armsim.formatting import percent, show, signed
from armsim.report.verdict import TONES

SHOWN = 8

EVERY = 0.1
"""Seconds between two looks at how far a piece of work is."""


class Tray:
    """The lower part of the right pane."""

    def __init__(self, desk: Desk, look: Callable[[], charts.Look], refuse: Callable[[InputError], None]) -> None:
        self.desk, self.look, self.refuse = desk, look, refuse
        self.work_key: tuple[Any, ...] = ()
        self.pins_key: tuple[Any, ...] = ()
        self.told = 0
        self.running, self.shown_at = -1, 0.0
        self.progress: Any = None
        self.bar: Any = None
        with ui.element("div").classes("pane").props('role=region aria-label="questions"'):
            with ui.row().classes("w-full").style("gap: 2px"):
                if desk.options is not None and desk.study.scenario.requirement is not None:
                    own = ui.button("cheapest that meets it", on_click=self._cheapest).props(
                        "flat dense no-caps data-name=cheapest"
                    )
                    own.tooltip("Search the catalogue for the cheapest set that meets the requirement.")
                own = ui.button("what is it worth", on_click=self._worth).props("flat dense no-caps data-name=worth")
                own.tooltip("What one ideal joint, half a cause, or one more bit would bring.")
                ui.button("sweep", on_click=self._ask_sweep).props("flat dense no-caps data-name=sweep")
            self.work = ui.column().classes("w-full").style("gap: 2px")
        with ui.element("div").classes("pane").props('role=region aria-label="pinned designs"'):
            ui.label("pinned designs").classes("quiet")
            self.pins = ui.column().classes("w-full").style("gap: 2px").props("data-name=pins")

    def begin(self, name: str, do: Callable[[Callable[[str, int, int], None]], Any]) -> None:
        """Begin a piece of work, or say that another one is running."""
        if not self.desk.start(name, do):
            ui.notify("something else is being worked out; stop it first", type="warning")

    def _cheapest(self) -> None:
        self.begin("cheapest that meets it", lambda progress: background_jobs.cheapest(self.desk, progress))

    def _worth(self) -> None:
        self.begin("what is it worth", lambda progress: background_jobs.worth(self.desk, progress))

    def _ask_sweep(self) -> None:
        with ui.dialog(value=True) as dialog, ui.card():
            ui.label("Judge the tasks at values of one number, as armsim run --sweep does.")
            path = ui.input(
                "path", value=f"joints.{self.desk.study.scenario.machine.arm.names[0]}.mounting.eccentricity"
            )
            path.classes("w-full").props("data-name=sweep-path")
            values = ui.input("values", value="0um..40um:6").classes("w-full").props("data-name=sweep-values")

            def go() -> None:
                at, text = str(path.value).strip(), str(values.value).strip()
                self.begin("sweep", lambda progress: background_jobs.swept(self.desk, at, text, progress))
                dialog.close()

            ui.button("sweep", on_click=go).props("no-caps data-name=sweep-go")

    def show(self) -> None:
        """What is running, what came of it, what is pinned."""
        look, work = self.look(), self.desk.work
        if (work, look) != self.work_key:
            self.work_key = work, look
            self._show_work()
        pins = self.desk.pinned, self.desk.design.key, look
        if pins != self.pins_key:
            self.pins_key = pins
            self._show_pins()

    def _show_work(self) -> None:
        work = self.desk.work
        if work is not None and work.running and self.running == work.number:
            if time.monotonic() - self.shown_at < EVERY:
                return
            self.shown_at = time.monotonic()
            self.progress.set_text(f"{work.name}: {work.progress}")  # the button to stop stays where it is
            self.bar.set_value(work.share)
            return
        self.work.clear()
        self.running = -1
        if work is None or not work.name:
            return
        with self.work:
            if work.running:
                with ui.row().classes("items-center w-full no-wrap"):
                    ui.spinner(size="sm")
                    self.progress = ui.label(f"{work.name}: {work.progress}").classes("quiet ellipsis")
                    self.progress.props("data-name=progress")
                    ui.space()
                    ui.button("stop", on_click=self.desk.halt).props("flat dense no-caps data-name=halt")
                self.bar = ui.linear_progress(work.share, show_value=False)
                self.running = work.number
                return
            with ui.row().classes("items-center justify-between w-full no-wrap"):
                ui.label(work.name).classes("text-weight-medium")
                ui.button(icon="close", on_click=self.desk.dismiss).props(
                    'flat dense round size=sm aria-label="dismiss"'
                )
            if work.error:
                ui.label(work.error).classes("bad").props("data-name=work-error")
            elif isinstance(work.result, Selection):
                self._selection(work.result)
            elif isinstance(work.result, WhatIfs):
                self._what_ifs(work.result)
            elif isinstance(work.result, Sweep):
                self._sweep(work.result)
            elif isinstance(work.result, Comparison):
                self._comparison(work.result)
            elif isinstance(work.result, background_jobs.Package):
                own = work.result
                ui.button(f"download {own.name}", on_click=lambda: ui.download(own.content, own.name)).props(
                    "no-caps data-name=download"
                )

    def _selection(self, found: Selection) -> None:
        if found.design is None:
            ui.label("No choice of the catalogue meets it; this comes closest:")
        else:
            ui.label(f"{found.price:g} cost units").classes("figure")
            ui.label(f"requirement {found.state}").classes(TONES[found.state])
        for row in found.closest:
            ui.label(f"{row.joint}: {row.encoder}, {row.mounting}, {row.placement}").classes("quiet")

        def take() -> None:
            try:
                self.desk.apply(chosen_changes(self.desk, found.closest))
            except InputError as error:
                self.refuse(error)

        ui.button("take it", on_click=take).props("flat dense no-caps data-name=take")

    def _what_ifs(self, found: WhatIfs) -> None:
        for task in found.result.tasks:
            ui.label(f"{task.name}: change of the {found.result.quantile}").classes("quiet")
            for row in found.of(task.name)[:SHOWN]:
                with ui.row().classes("justify-between w-full no-wrap"):
                    ui.label(f"{row.kind}: {row.what}").classes("ellipsis")
                    ui.label(signed(row.at_coverage.value, None)).style("white-space: nowrap")

    def _sweep(self, found: Sweep) -> None:
        numbers = [point.number for point in found.points]
        values = {}
        for task in found.points[0].tasks:
            rows = [own.judgements[0] for _, own in found.of(task.name)]
            ends = [own.interval or (own.value, own.value) for own in rows]
            middle, low, high = (
                1e6 * np.array(x) for x in ([r.value for r in rows], [a for a, _ in ends], [b for _, b in ends])
            )
            values[task.name] = (middle, low, high)
        limit = None if found.requirement is None else 1e6 * found.requirement.position
        chart = charts.swept(numbers, found.unit, values, limit, self.look(), found.path)
        ui.plotly(chart).classes("w-full").style("height: 230px")

    def _comparison(self, found: Comparison) -> None:
        for row in found.differences:
            ui.label(f"{row.scenario}, {row.task}").classes("text-weight-medium")
            ui.label(f"{found.quantile}: {signed(*row.at_coverage)}")
            if row.passing is not None:
                ends = row.passing.interval
                band = "" if ends is None else f" ({100 * ends[0]:.3g} to {100 * ends[1]:.3g})"
                ui.label(f"yield: {100 * row.passing.value:+.3g}{band} points")
            ui.label(f"price: {row.price:+g}")
            poses = next(
                (p for t, p in zip(found.results[0].tasks, self.desk.found, strict=True) if t.name == row.task), None
            )
            if (
                poses is not None
                and poses.grid is not None
                and len(poses.grid.axes) == 2
                and len(row.values) == len(poses.names)
            ):
                title = f"{row.task}: {row.scenario} less {found.results[0].scenario}"
                values = view_model.Values(1e6 * row.values, "µm", None, title)
                chart = charts.over_poses(poses, values, np.ones(len(row.values)), None, self.look(), signed=True)
                ui.plotly({**chart, "config": charts.PASSING}).classes("w-full").style("height: 240px")

    def _show_pins(self) -> None:
        self.pins.clear()
        with self.pins:
            if not self.desk.pinned:
                ui.label("Pin up to four designs to see them side by side.").classes("quiet")
            for pin in self.desk.pinned:
                shown = pin.shown
                with ui.row().classes("items-center justify-between w-full no-wrap"):
                    standing = " ●" if pin.design.key == self.desk.design.key else ""
                    ui.label(f"{pin.name}{standing}").classes("ellipsis")
                    if shown is not None and shown.answer.judged:
                        worst = max(own.summary.at_coverage for own in shown.answer.judged)
                        yields = [
                            own.summary.yield_.value for own in shown.answer.judged if own.summary.yield_ is not None
                        ]
                        price = shown.study.scenario.machine.price
                        told_ = f"{show(worst)}{', ' + percent(min(yields)) if yields else ''}, {price:g}"
                        ui.label(told_).classes("quiet")
                    ui.button(icon="visibility", on_click=lambda _, own=pin: self.desk.put(own.design)).props(
                        'flat dense round size=sm aria-label="let this design stand"'
                    )
                    ui.button(icon="close", on_click=lambda _, own=pin: self.desk.unpin(own.design.key)).props(
                        'flat dense round size=sm aria-label="take it away"'
                    )
            if len(self.desk.pinned) > 1:
                ui.button("compare, paired", on_click=self._compare).props("flat dense no-caps data-name=compare")

    def _compare(self) -> None:
        pins = self.desk.pinned
        self.begin("comparison", lambda progress: background_jobs.compared(self.desk, pins, progress))
