"""Left pane: a row per joint with encoder, placement, mounting, and every number of the joint."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nicegui import ui

from armsim.documents.catalogue_document import AS_IT_IS
from armsim.documents.grammar import read_value
from armsim.errors import InputError
from armsim.explorer.edit_options import (
    Choices,
    Field,
    Row,
    encoder_change,
    mounting_change,
    placement_change,
    rows,
)
from armsim.explorer.session import Session

ALONE, GROUP, EVERY = "this joint", "its group", "all joints"


class JointRows:
    """Left pane of a page: one row per joint, and a slider for one number.

    ``joint_widgets`` holds the widgets of every joint by name, ``slider_field`` the field that the slider edits;
    ``updating_widgets`` is set while values are written to the widgets, so that their events are ignored.
    """

    def __init__(self, session: Session, choices: Choices, refuse: Callable[[InputError], None]) -> None:
        self.session, self.choices, self.refuse = session, choices, refuse
        self.joint_widgets: dict[str, dict[str, Any]] = {}
        self.fields: dict[str, dict[str, Any]] = {}
        self.entered: dict[str, Any] = {}
        self.updating_widgets = False
        self.slider_field: Field | None = None
        self.slide: object = None  # of the movement of the slider from press to release
        self.key = ""
        with ui.row().classes("items-center no-wrap w-full").style("gap: 8px"):
            ui.label("apply changes to").classes("quiet")
            self.scope = ui.toggle([ALONE, GROUP, EVERY], value=ALONE).props("dense no-caps size=sm data-name=scope")
        self._slider()
        self.design_rows: tuple[str, tuple[Row, ...]] = session.design.key, rows(session, choices)
        for row in self.design_rows[1]:
            self._row(row)

    def _slider(self) -> None:
        with ui.element("div").classes("pane slider-pane q-my-xs").style("display: none") as self.panel:
            with ui.row().classes("items-center justify-between w-full no-wrap"):
                self.slider_label = ui.label().classes("text-weight-medium").props("data-name=slid")
                ui.button(icon="close", on_click=self._close).props(
                    'flat dense round size=sm aria-label="close the slider"'
                )
            self.slider = ui.slider(min=0.0, max=1.0, step=0.01, value=0.5).props("label data-name=slider")
            self.slider.on("update:model-value", self._slide, throttle=0.06, leading_events=True, trailing_events=True)
            self.slider.on("change", self._release)

    def _row(self, row: Row) -> None:
        widgets: dict[str, Any] = {}
        name = row.joint
        with (
            ui.element("div")
            .classes("pane")
            .style("margin: 5px 0; padding-top: 2px")
            .props(f'role=group aria-label="joint {name}"')
        ):
            with ui.row().classes("items-center no-wrap w-full").style("gap: 6px"):
                ui.label(name).classes("text-weight-bold").style("min-width: 26px")
                widgets["encoder"] = ui.select(list(row.encoders), value=row.encoder, label="encoder").classes("col")
                widgets["encoder"].props(f'dense options-dense data-joint="{name}"')
                widgets["price"] = ui.label().classes("quiet").tooltip("price of its sensors, mounted")
                meaning = f"all values of {name}"
                widgets["open"] = ui.button(icon="expand_more", on_click=lambda _, joint=name: self._unfold(joint))
                widgets["open"].props(f'flat dense round size=sm aria-label="{meaning}" data-open="{name}"').tooltip(
                    meaning
                )
            with ui.row().classes("items-center no-wrap w-full").style("gap: 6px"):
                widgets["placement"] = ui.select(list(row.placements), value=row.placement, label="placement").classes(
                    "col-4"
                )
                widgets["placement"].props(f'dense options-dense data-placement="{name}"')
                if row.mountings:
                    widgets["mounting"] = ui.select(list(row.mountings), value=AS_IT_IS, label="mounting").classes(
                        "col"
                    )
                    widgets["mounting"].props("dense options-dense")
            widgets["fields"] = ui.column().classes("w-full").style("gap: 0")
            widgets["fields"].set_visibility(False)
        widgets["encoder"].on_value_change(lambda event, joint=name: self._encoder(joint, event))
        widgets["placement"].on_value_change(lambda event, joint=name: self._placement(joint, event))
        if row.mountings:
            widgets["mounting"].on_value_change(lambda event, joint=name: self._mounting(joint, event))
        self.joint_widgets[name] = widgets

    def _unfold(self, joint: str) -> None:
        widgets = self.joint_widgets[joint]
        widgets["fields"].set_visibility(not widgets["fields"].visible)
        widgets["open"].props(f"icon={'expand_less' if widgets['fields'].visible else 'expand_more'}")
        self._rebuild()

    def _rebuild(self) -> None:
        self.key = ""
        self.show()

    def _joints(self, joint: str) -> list[str]:
        arm = self.session.study.scenario.machine.arm
        if self.scope.value == EVERY:
            return list(arm.names)
        if self.scope.value == GROUP:
            return list(arm.groups.get(arm.group_of(joint), (joint,)))
        return [joint]

    def _apply(self, changes: dict[str, Any], slide: object = None) -> None:
        try:
            self.session.apply(changes, slide)
        except InputError as error:
            self.refuse(error)
            self._rebuild()

    def _encoder(self, joint: str, event: Any) -> None:
        if self.updating_widgets or event.value not in self.choices.encoders:
            return
        joints = [name for name in self._joints(joint) if event.value in self.choices.by_joint.get(name, ())]
        self._apply(
            {k: v for name in joints or [joint] for k, v in encoder_change(self.choices, name, event.value).items()}
        )

    def _placement(self, joint: str, event: Any) -> None:
        if not self.updating_widgets and event.value:
            changes = {
                k: v
                for name in self._joints(joint)
                for k, v in placement_change(self.session, name, event.value).items()
            }
            self._apply(changes)

    def _mounting(self, joint: str, event: Any) -> None:
        if not self.updating_widgets and event.value and event.value != AS_IT_IS:
            changes = {
                k: v
                for name in self._joints(joint)
                for k, v in mounting_change(self.session, name, event.value).items()
            }
            self._apply(changes)

    def _apply_text(self, joint: str, field: Field, element: Any) -> None:
        text = str(element.value).strip()
        if self.updating_widgets or text == field.text or not text:
            return
        field_key = field.path.removeprefix(f"joints.{joint}.")
        try:
            value = read_value(text, field_key)
            self.session.apply({f"joints.{name}.{field_key}": value for name in self._joints(joint)})
        except InputError as error:
            problem = error.problems[0]
            message = f"{problem.actual}; accepted: {problem.accepted}".replace('"', "'")[:160]
            element.props(f'error error-message="{message}"')

    def _open_slider(self, joint: str, field: Field) -> None:
        self.slider_field = field
        self.panel.style("display: block")
        self.slider_label.set_text(
            f"{joint}: {field.label} [{field.unit}]" if field.unit else f"{joint}: {field.label}"
        )
        top = 3.0 * abs(field.value) or 1.0
        if field.unit == "%":
            top = min(top, 100.0)
        self.slider._props["max"] = float(f"{top:.3g}")
        self.slider._props["step"] = float(f"{top / 150:.2g}")
        self.slider.value = field.value
        self.slider.update()

    def _slide(self, event: Any) -> None:
        field = self.slider_field
        if field is None or not isinstance(event.args, int | float):
            return
        joint = field.path.split(".")[1]
        field_key = field.path.removeprefix(f"joints.{joint}.")
        text: Any = f"{event.args:.6g} {field.unit}" if field.unit else float(event.args)
        self.slide = self.slide or object()
        self._apply({f"joints.{name}.{field_key}": text for name in self._joints(joint)}, self.slide)

    def _release(self, event: Any) -> None:
        self._slide(event)
        self.slide = None

    def _close(self) -> None:
        self.slider_field, self.slide = None, None
        self.panel.style("display: none")

    def _current_rows(self) -> tuple[Row, ...]:
        """Rows of the current design."""
        key = self.session.design.key
        if self.design_rows[0] != key:
            self.design_rows = key, rows(self.session, self.choices)
        return self.design_rows[1]

    def show(self) -> None:
        """Update all rows to the current design, where it changed."""
        if self.key == self.session.design.key:
            return
        self.key = self.session.design.key
        self.updating_widgets = True
        try:
            for row in self._current_rows():
                widgets = self.joint_widgets[row.joint]
                _set(widgets["encoder"], list(row.encoders), row.encoder)
                _set(widgets["placement"], list(row.placements), row.placement)
                widgets["price"].set_text(f"{row.price:g}")
                if "mounting" in widgets:
                    _set(widgets["mounting"], list(row.mountings), AS_IT_IS)
                if widgets["fields"].visible:
                    self._fill(row, widgets["fields"])
        finally:
            self.updating_widgets = False

    def _fill(self, row: Row, container: Any) -> None:
        inputs = self.fields.setdefault(row.joint, {})
        if list(inputs) == [field.path for field in row.fields]:
            for field in row.fields:
                element = inputs[field.path]
                if element.value != field.text:
                    self.entered[field.path] = element.value = field.text
                if "error" in element._props:
                    element.props(remove="error error-message")
            return
        inputs.clear()
        container.clear()
        with container:
            for field in row.fields:
                with ui.row().classes("items-center no-wrap w-full").style("gap: 4px"):
                    element = (
                        ui.input(field.label, value=field.text).props(f'dense data-path="{field.path}"').classes("col")
                    )
                    element.tooltip(field.meaning)
                    element.on(
                        "keydown.enter",
                        lambda _, joint=row.joint, at=field.path, element=element: self._enter(joint, at, element),
                    )
                    element.on(
                        "blur",
                        lambda _, joint=row.joint, at=field.path, element=element: self._leave(joint, at, element),
                    )
                    slide = ui.button(
                        icon="tune",
                        on_click=lambda _, joint=row.joint, at=field.path: self._open_field_slider(joint, at),
                    )
                    slide.props(f'flat dense round size=sm aria-label="slide {field.label} of {row.joint}"')
                inputs[field.path] = element

    def _field(self, joint: str, path: str) -> Field | None:
        joint_row = next(row for row in self._current_rows() if row.joint == joint)
        return next((field for field in joint_row.fields if field.path == path), None)

    def _leave(self, joint: str, path: str, element: Any) -> None:
        # this event may arrive after an undo of the entered text
        if self.entered.get(path) != element.value:
            self._enter(joint, path, element)

    def _enter(self, joint: str, path: str, element: Any) -> None:
        self.entered[path] = element.value
        field = self._field(joint, path)
        if field is not None:
            self._apply_text(joint, field, element)

    def _open_field_slider(self, joint: str, path: str) -> None:
        field = self._field(joint, path)
        if field is not None:
            self._open_slider(joint, field)


def _set(element: Any, options: list[str], value: str) -> None:
    """Set options and value of a selector; unchanged ones are not resent to the browser."""
    if element.options != options:
        element.set_options(options, value=value)
    elif element.value != value:
        element.value = value
