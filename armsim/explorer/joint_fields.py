"""Numbers of one joint on the page: grouped by part, found by search, typed or slid in place."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nicegui import ui

from armsim.explorer.edit_options import PART_NAMES, Field


class JointFields:
    """Fields of a joint, built when it is first unfolded.

    Parameters
    ----------
    joint : str
    enter : callable
        Called with joint, path and element when a text was typed.
    open_slider : callable
        Called with joint, path and the element below which the slider opens.
    close_slider : callable
        Called before fields are built anew, since the slider may be among them.
    """

    def __init__(
        self,
        joint: str,
        enter: Callable[[str, str, Any], None],
        open_slider: Callable[[str, str, Any], None],
        close_slider: Callable[[], None],
    ) -> None:
        self.joint, self.enter, self.open_slider, self.close_slider = joint, enter, open_slider, close_slider
        self.container = ui.column().classes("w-full fields").style("gap: 0")
        self.container.set_visibility(False)
        self.inputs: dict[str, Any] = {}
        self.rows: dict[str, Any] = {}
        self.titles: dict[str, Any] = {}
        self.fields: tuple[Field, ...] = ()
        self.entered: dict[str, str] = {}
        self.words = ""

    @property
    def visible(self) -> bool:
        """Whether the joint is unfolded."""
        return bool(self.container.visible)

    def toggle(self) -> None:
        """Fold or unfold."""
        self.container.set_visibility(not self.container.visible)

    def show(self, fields: tuple[Field, ...], changed: set[str]) -> None:
        """Update texts, marks of changed values, and errors; the paths in ``changed`` are marked.

        What is being typed stays: the answer of the change before may arrive meanwhile.
        """
        before = {field.path: field.text for field in self.fields}
        if [field.path for field in self.fields] != [field.path for field in fields]:
            self._build(fields)
        self.fields = fields
        for field in fields:
            element = self.inputs[field.path]
            text = before.get(field.path, element.value)
            is_typed = element.value not in (text, self.entered.get(field.path))
            if element.value != field.text and not is_typed:
                self.entered[field.path] = element.value = field.text
            if "error" in element._props:
                element.props(remove="error error-message")
            is_marked = any(field.path == path or field.path.startswith(f"{path}.") for path in changed)
            self.rows[field.path].classes(**{"add" if is_marked else "remove": "changed"})

    def search(self, text: str) -> None:
        """Show the fields whose part, label or meaning holds all words of a text."""
        self.words = text
        words = text.lower().split()
        shown_parts = set()
        for field in self.fields:
            content = f"{field.part} {field.label} {field.meaning}".lower()
            matches = all(word in content for word in words)
            self.rows[field.path].set_visibility(matches)
            if matches:
                shown_parts.add(field.part)
        for part, title in self.titles.items():
            title.set_visibility(part in shown_parts)

    def _build(self, fields: tuple[Field, ...]) -> None:
        self.close_slider()
        self.inputs.clear()
        self.rows.clear()
        self.titles.clear()
        self.container.clear()
        with self.container:
            for part in PART_NAMES:
                of_part = [field for field in fields if field.part == part]
                if not of_part:
                    continue
                self.titles[part] = ui.label(part).classes("part")
                for field in of_part:
                    self._row(field)
        self.fields = fields
        self.search(self.words)

    def _row(self, field: Field) -> None:
        joint, path = self.joint, field.path
        row = ui.element("div").classes("w-full field")
        with row, ui.row().classes("items-center no-wrap w-full").style("gap: 4px"):
            element = ui.input(field.label, value=field.text).props(f'dense data-path="{path}"').classes("col")
            element.tooltip(field.meaning)
            element.on("keydown.enter", lambda: self._entered(path, element))
            element.on("blur", lambda: self._on_blur(path, element))
            slide = ui.button(icon="tune", on_click=lambda: self.open_slider(joint, path, row))
            slide.props(f'flat dense round size=sm aria-label="slide {field.label} of {joint}"')
        self.inputs[path], self.rows[path] = element, row

    def _entered(self, path: str, element: Any) -> None:
        self.entered[path] = element.value
        self.enter(self.joint, path, element)

    def _on_blur(self, path: str, element: Any) -> None:
        # this event may arrive after an undo of the entered text
        if self.entered.get(path) != element.value:
            self._entered(path, element)
