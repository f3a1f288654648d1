"""Limits of the requirement, changed in place: a text and a slider below the gauge of a criterion."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nicegui import ui

from armsim.documents.grammar import read_value
from armsim.errors import InputError
from armsim.explorer.session import Session
from armsim.explorer.view_model import Number

STEPS = 100
"""Steps of the slider, from nothing to twice the limit."""


class LimitEditor:
    """The editor of a page; it stands below the gauge of the criterion whose limit it changes."""

    def __init__(self, session: Session, refuse: Callable[[InputError], None]) -> None:
        self.session, self.refuse = session, refuse
        self.path, self.unit, self.limit_text = "", "", ""  # of what it edits; the path is empty where it is closed
        self.slide: object = None  # of the movement of the slider from press to release
        self.home = ui.element("div").classes("w-full")
        with self.home:
            self.panel = ui.row().classes("items-center no-wrap w-full").style("display: none; gap: 10px")
        with self.panel:
            self.text_place = ui.element("div").style("width: 90px")
            self.text: Any = None
            self.slider = ui.slider(min=0.0, max=1.0, step=0.01, value=0.5).classes("col")
            self.slider.props('data-name=limit-slider aria-label="limit"')
            self.slider.on("update:model-value", self._slide, throttle=0.06, leading_events=True, trailing_events=True)
            self.slider.on("change", self._release)
            close = ui.button(icon="close", on_click=self.close)
            close.props('flat dense round size=sm aria-label="close the limit"')

    def open(self, number: Number, row: Any) -> None:
        """Open below the gauge in ``row``."""
        self.path, self.slide = number.path, None
        self.panel.move(row)
        self.panel.style("display: flex")
        self.text, self.unit = None, ""
        self._set_limit(number)

    def follow(self, number: Number) -> None:
        """Take over the limit of a criterion that was changed elsewhere, such as by an undo."""
        if number.path == self.path and self.slide is None and number.limit_text != self.limit_text:
            self._set_limit(number)

    def _set_limit(self, number: Number) -> None:
        before, self.limit_text = self.unit, number.limit_text
        value, _, self.unit = number.limit_text.partition(" ")
        if self.text is None or self.text.value != number.limit_text:
            self.text_place.clear()  # a field that was moved does not show a new value
            with self.text_place:
                self.text = ui.input("limit", value=number.limit_text).props("dense data-name=limit-text")
                self.text.on("keydown.enter", self._enter)
        if self.unit != before or float(value) > self.slider._props["max"]:
            self._scale(float(value))
        self.slider.value = float(value)
        self.slider.update()

    def _scale(self, value: float) -> None:
        """Let the slider reach from nothing to twice a value."""
        top = min(2.0 * value, 100.0) if self.unit == "%" else 2.0 * value
        self.slider._props["max"], self.slider._props["step"] = top, float(f"{top / STEPS:.2g}")

    def close(self) -> None:
        """Close, and leave the row."""
        self.path = ""
        self.panel.style("display: none")
        self.panel.move(self.home)

    def _apply(self, text: str, slide: object) -> None:
        try:
            self.session.apply({self.path: read_value(text, self.path)}, slide)
        except InputError as error:
            self.refuse(error)

    def _enter(self) -> None:
        text = str(self.text.value).strip()
        if text:
            self._apply(text, None)

    def _slide(self, event: Any) -> None:
        if isinstance(event.args, int | float) and event.args > 0.0:
            self.slide = self.slide or object()
            self.text.value = f"{event.args:.6g} {self.unit}"
            self._apply(self.text.value, self.slide)

    def _release(self, event: Any) -> None:
        self._slide(event)
        self.slide = None
