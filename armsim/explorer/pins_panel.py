"""Panel of pinned designs, and of the note on the design that is shown."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nicegui import ui

from armsim.explorer import background_jobs, view_model
from armsim.explorer.job_runner import Work
from armsim.explorer.session import Session


class PinsPanel:
    """Lowest part of the right pane."""

    def __init__(self, session: Session, begin: Callable[[str, Work], None]) -> None:
        self.session, self.begin = session, begin
        self.pins_key: tuple[Any, ...] = ()
        with ui.element("div").classes("pane").props('role=region aria-label="pinned designs"'):
            ui.label("pinned designs").classes("quiet")
            self.note = ui.textarea("note on this design, for its review").classes("w-full")
            self.note.props("dense autogrow data-name=note").on("blur", self._write_note)
            self.pins = ui.column().classes("w-full").style("gap: 2px").props("data-name=pins")

    def show(self) -> None:
        """Update designs and note, where they changed."""
        pins = self.session.pinned, self.session.design.key
        if pins != self.pins_key:
            self.pins_key = pins
            if self.note.value != self.session.note:
                self.note.value = self.session.note
            self._show_pins()

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
