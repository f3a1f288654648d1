"""Left pane: a row per joint with encoder, placement, mounting, and every number of the joint."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nicegui import ui

from armsim.documents.grammar import read_value
from armsim.errors import InputError
from armsim.explorer.changed_values import (
    ChangedValue,
    apply_where_possible,
    changed_values,
    skipped_sentence,
    take_back,
)
from armsim.explorer.edit_options import (
    Choices,
    Field,
    Row,
    encoder_change,
    mounting_change,
    placement_change,
    rows,
)
from armsim.explorer.joint_fields import JointFields
from armsim.explorer.session import Session

ALONE, GROUP, EVERY = "this joint", "its group", "all joints"
MISFIT = "the encoder does not fit"


class JointRows:
    """Left pane of a page: one row per joint, and a slider for one number.

    ``joint_widgets`` holds the widgets of every joint by name, ``slider_field`` the field that the slider edits;
    ``updating_widgets`` is set while values are written to the widgets, so that their events are ignored.
    """

    def __init__(self, session: Session, choices: Choices, refuse: Callable[[InputError], None]) -> None:
        self.session, self.choices, self.refuse = session, choices, refuse
        self.joint_widgets: dict[str, dict[str, Any]] = {}
        self.fields: dict[str, JointFields] = {}
        self.updating_widgets = False
        self.slider_field: Field | None = None
        self.slide: object = None  # of the movement of the slider from press to release
        self.key = ""
        with ui.row().classes("items-center no-wrap w-full").style("gap: 8px"):
            ui.label("apply changes to").classes("quiet")
            self.scope = ui.toggle([ALONE, GROUP, EVERY], value=ALONE, on_change=self._show_reach)
            self.scope.props("dense no-caps size=sm data-name=scope")
        self.reach = ui.label().classes("quiet").props("data-name=reach aria-live=polite")
        self.reach.set_visibility(False)
        self.search = ui.input("search the values", on_change=self._search).classes("w-full")
        self.search.props('dense clearable type=search data-name=search aria-label="search the values of the joints"')
        self._slider()
        self.design_rows: tuple[str, tuple[Row, ...]] = session.design.key, rows(session, choices)
        with ui.element("div").classes("joint-rows"):
            for row in self.design_rows[1]:
                self._row(row)

    def _slider(self) -> None:
        self.slider_home = ui.element("div").classes("w-full")
        with self.slider_home:
            self.panel = ui.element("div").classes("pane").style("display: none")
        with self.panel:
            with ui.row().classes("items-center justify-between w-full no-wrap"):
                self.slider_label = ui.label().classes("text-weight-medium").props("data-name=slid")
                ui.button(icon="close", on_click=self._close).props(
                    'flat dense round size=sm aria-label="close the slider"'
                )
            self.slider = ui.slider(min=0.0, max=1.0, step=0.01, value=0.5)
            self.slider.props('label data-name=slider aria-label="value"')
            self.slider.on("update:model-value", self._slide, throttle=0.06, leading_events=True, trailing_events=True)
            self.slider.on("change", self._release)

    def _row(self, row: Row) -> None:
        widgets: dict[str, Any] = {}
        name = row.joint
        with ui.element("div").classes("pane joint").props(f'role=group aria-label="joint {name}"'):
            with ui.row().classes("items-center no-wrap w-full").style("gap: 6px"):
                ui.label(name).classes("text-weight-bold").style("min-width: 26px")
                widgets["encoder"] = ui.select(list(row.encoders), value=row.encoder, label="encoder").classes("col")
                widgets["encoder"].props(f'dense options-dense data-joint="{name}"')
                widgets["price"] = ui.label().classes("quiet").tooltip("price of its sensors, mounted")
                meaning = f"all values of {name}"
                widgets["open"] = ui.button(icon="expand_more", on_click=lambda: self._unfold(name))
                widgets["open"].props(f'flat dense round size=sm aria-label="{meaning}" data-open="{name}"')
                widgets["open"].tooltip(meaning)
            with ui.row().classes("items-center no-wrap w-full").style("gap: 6px"):
                widgets["placement"] = ui.select(list(row.placements), value=row.placement, label="placement")
                widgets["placement"].classes("col-4").props(f'dense options-dense data-placement="{name}"')
                if row.mountings:
                    widgets["mounting"] = ui.select(list(row.mountings), value=row.mounting, label="mounting")
                    widgets["mounting"].classes("col").props(f'dense options-dense data-mounting="{name}"')
            widgets["changes"] = ui.row().classes("w-full").style("gap: 2px")
            self.fields[name] = JointFields(name, self._apply_text, self._open_slider, self._close)
        widgets["encoder"].on_value_change(lambda event: self._encoder(name, event))
        widgets["placement"].on_value_change(lambda event: self._placement(name, event))
        if row.mountings:
            widgets["mounting"].on_value_change(lambda event: self._mounting(name, event))
        self.joint_widgets[name] = widgets

    def _unfold(self, joint: str) -> None:
        fields = self.fields[joint]
        fields.toggle()
        self.joint_widgets[joint]["open"].props(f"icon={'expand_less' if fields.visible else 'expand_more'}")
        self._rebuild()

    def _search(self, event: Any) -> None:
        text = str(event.value or "").strip()
        if text and not any(fields.visible for fields in self.fields.values()):
            self._unfold(next(iter(self.fields)))
        for fields in self.fields.values():
            fields.search(text)

    def _rebuild(self) -> None:
        self.key = ""
        self.show()

    # --- what a change reaches ----------------------------------------------------------------------------------------

    def _joints(self, joint: str) -> list[str]:
        arm = self.session.study.scenario.machine.arm
        if self.scope.value == EVERY:
            return list(arm.names)
        if self.scope.value == GROUP:
            return list(arm.groups.get(arm.group_of(joint), (joint,)))
        return [joint]

    def _show_reach(self) -> None:
        """Say at which joints a change will be made, before it is."""
        arm = self.session.study.scenario.machine.arm
        groups = " or ".join(f"{', '.join(names)} ({group})" for group, names in arm.groups.items())
        joints_of_scope = {
            ALONE: "",
            GROUP: groups or "the joint alone: the arm has no groups",
            EVERY: ", ".join(arm.names),
        }
        text = joints_of_scope[str(self.scope.value)]
        self.reach.set_text(f"The next change is made at {text}; joints that cannot take it are skipped and named.")
        self.reach.set_visibility(bool(text))

    def _apply(self, changes: dict[str, dict[str, Any]], skipped: dict[str, str], slide: object = None) -> None:
        """Apply changes by joint, and name the joints that could not take them; of a slide once."""
        begins = slide is None or slide is not self.slide
        self.slide = slide
        try:
            skipped = {**skipped, **apply_where_possible(self.session, changes, slide)}
        except InputError as error:
            self.refuse(error)
            self._rebuild()
        else:
            if begins:
                self._name_skipped(skipped)

    @staticmethod
    def _name_skipped(skipped: dict[str, str]) -> None:
        if skipped:
            ui.notify(skipped_sentence(skipped), type="warning", timeout=9000, close_button=True)

    def _encoder(self, joint: str, event: Any) -> None:
        if self.updating_widgets or event.value not in self.choices.encoders:
            return
        joints = self._joints(joint)
        fitting = [name for name in joints if event.value in self.choices.by_joint.get(name, ())] or [joint]
        changes = {name: encoder_change(self.choices, name, event.value) for name in fitting}
        self._apply(changes, {name: MISFIT for name in joints if name not in fitting})

    def _placement(self, joint: str, event: Any) -> None:
        if not self.updating_widgets and event.value:
            self._apply({name: placement_change(self.session, name, event.value) for name in self._joints(joint)}, {})

    def _mounting(self, joint: str, event: Any) -> None:
        if not self.updating_widgets and event.value in self.choices.mountings:
            self._apply({name: mounting_change(self.session, name, event.value) for name in self._joints(joint)}, {})

    def _take_back(self, value: ChangedValue) -> None:
        try:
            take_back(self.session, value.path)
        except InputError as error:
            self.refuse(error)

    # --- numbers ------------------------------------------------------------------------------------------------------

    def _apply_text(self, joint: str, path: str, element: Any) -> None:
        field, text = self._field(joint, path), str(element.value).strip()
        if field is None or self.updating_widgets or text == field.text or not text:
            return
        field_key = path.removeprefix(f"joints.{joint}.")
        try:
            value = read_value(text, field_key)
            changes = {name: {f"joints.{name}.{field_key}": value} for name in self._joints(joint)}
            skipped = apply_where_possible(self.session, changes)
        except InputError as error:
            problem = error.problems[0]
            message = f"{problem.actual}; accepted: {problem.accepted}".replace('"', "'")[:160]
            element.props(f'error error-message="{message}"')
        else:
            self._name_skipped(skipped)

    def _open_slider(self, joint: str, path: str, row: Any) -> None:
        field = self._field(joint, path)
        if field is None:
            return
        self.slider_field = field
        self.panel.move(row)
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
        changes = {name: {f"joints.{name}.{field_key}": text} for name in self._joints(joint)}
        self._apply(changes, {}, self.slide or object())

    def _release(self, event: Any) -> None:
        self._slide(event)
        self.slide = None

    def _close(self) -> None:
        self.slider_field, self.slide = None, None
        self.panel.style("display: none")
        self.panel.move(self.slider_home)

    def _field(self, joint: str, path: str) -> Field | None:
        joint_row = next(row for row in self._current_rows() if row.joint == joint)
        return next((field for field in joint_row.fields if field.path == path), None)

    # --- updates ------------------------------------------------------------------------------------------------------

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
        values = changed_values(self.session)
        self.updating_widgets = True
        try:
            for row in self._current_rows():
                widgets, of_joint = self.joint_widgets[row.joint], [v for v in values if v.joint == row.joint]
                _set(widgets["encoder"], list(row.encoders), row.encoder)
                _set(widgets["placement"], list(row.placements), row.placement)
                widgets["price"].set_text(f"{row.price:g}")
                if "mounting" in widgets:
                    _set(widgets["mounting"], list(row.mountings), row.mounting)
                self._show_changes(widgets, of_joint)
                if self.fields[row.joint].visible:
                    self.fields[row.joint].show(row.fields, {value.path for value in of_joint})
        finally:
            self.updating_widgets = False

    def _show_changes(self, widgets: dict[str, Any], values: list[ChangedValue]) -> None:
        """Show every changed value of a joint with its way back."""
        if widgets.get("values") == values:
            return
        widgets["values"] = values
        widgets["changes"].clear()
        with widgets["changes"]:
            for value in values:
                text = f"{value.label}: back to {value.before}"
                button = ui.button(text, icon="undo", on_click=lambda _, value=value: self._take_back(value))
                button.props(f'flat dense no-caps size=sm data-back="{value.path}"').classes("back")


def _set(element: Any, options: list[str], value: str) -> None:
    """Set options and value of a selector; unchanged ones are not resent to the browser."""
    if element.options != options:
        element.set_options(options, value=value)
    elif element.value != value:
        element.value = value
