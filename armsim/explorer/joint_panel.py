"""The rows of the joints: encoder, placement, assembly, and every number that a joint states."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nicegui import ui

from armsim.documents.grammar import read_value
from armsim.errors import InputError
from armsim.explorer.edit_options import (
    AS_IT_IS,
    Field,
    Offered,
    Row,
    encoder_change,
    mounting_change,
    placement_change,
    rows,
)
from armsim.explorer.session import Desk

ALONE, GROUP, EVERY = "this joint", "its group", "all joints"


class JointRows:
    """The left pane of a page."""

    def __init__(self, desk: Desk, offered: Offered, refuse: Callable[[InputError], None]) -> None:
        self.desk, self.offered, self.refuse = desk, offered, refuse
        self.rows: dict[str, dict[str, Any]] = {}
        self.fields: dict[str, dict[str, Any]] = {}
        self.entered: dict[str, Any] = {}
        self.filling = False
        self.sliding: Field | None = None
        self.slid_path = ""
        self.key = ""
        with ui.row().classes("items-center no-wrap w-full").style("gap: 8px"):
            ui.label("a change is made to").classes("quiet")
            self.scope = ui.toggle([ALONE, GROUP, EVERY], value=ALONE).props("dense no-caps size=sm data-name=scope")
        self._slider()
        self.known: tuple[str, tuple[Row, ...]] = desk.design.key, rows(desk, offered)
        for row in self.known[1]:
            self._row(row)

    def _slider(self) -> None:
        with ui.element("div").classes("pane q-my-xs").style("display: none") as self.panel:
            with ui.row().classes("items-center justify-between w-full no-wrap"):
                self.slid = ui.label().classes("text-weight-medium").props("data-name=slid")
                ui.button(icon="close", on_click=self._close).props(
                    'flat dense round size=sm aria-label="close the slider"'
                )
            self.slider = ui.slider(min=0.0, max=1.0, step=0.01, value=0.5).props("label data-name=slider")
            self.slider.on("update:model-value", self._slide, throttle=0.06, leading_events=True, trailing_events=True)

    def _row(self, row: Row) -> None:
        mine: dict[str, Any] = {}
        name = row.joint
        with (
            ui.element("div")
            .classes("pane")
            .style("margin: 5px 0; padding-top: 2px")
            .props(f'role=group aria-label="joint {name}"')
        ):
            with ui.row().classes("items-center no-wrap w-full").style("gap: 6px"):
                ui.label(name).classes("text-weight-bold").style("min-width: 26px")
                mine["encoder"] = ui.select(list(row.encoders), value=row.encoder, label="encoder").classes("col")
                mine["encoder"].props(f'dense options-dense data-joint="{name}"')
                mine["price"] = ui.label().classes("quiet").tooltip("price of its sensors, fitted")
                meaning = f"every number of {name}"
                mine["open"] = ui.button(icon="expand_more", on_click=lambda _, own=name: self._unfold(own))
                mine["open"].props(f'flat dense round size=sm aria-label="{meaning}" data-open="{name}"').tooltip(
                    meaning
                )
            with ui.row().classes("items-center no-wrap w-full").style("gap: 6px"):
                mine["placement"] = ui.select(list(row.placements), value=row.placement, label="placement").classes(
                    "col-4"
                )
                mine["placement"].props(f'dense options-dense data-placement="{name}"')
                if row.mountings:
                    mine["mounting"] = ui.select(list(row.mountings), value=AS_IT_IS, label="assembly").classes("col")
                    mine["mounting"].props("dense options-dense")
            mine["fields"] = ui.column().classes("w-full").style("gap: 0")
            mine["fields"].set_visibility(False)
        mine["encoder"].on_value_change(lambda event, own=name: self._encoder(own, event))
        mine["placement"].on_value_change(lambda event, own=name: self._placement(own, event))
        if row.mountings:
            mine["mounting"].on_value_change(lambda event, own=name: self._mounting(own, event))
        self.rows[name] = mine

    def _unfold(self, joint: str) -> None:
        mine = self.rows[joint]
        mine["fields"].set_visibility(not mine["fields"].visible)
        mine["open"].props(f"icon={'expand_less' if mine['fields'].visible else 'expand_more'}")
        self._again()

    def _again(self) -> None:
        self.key = ""
        self.show()

    def _joints(self, joint: str) -> list[str]:
        arm = self.desk.study.scenario.machine.arm
        if self.scope.value == EVERY:
            return list(arm.names)
        if self.scope.value == GROUP:
            return list(arm.groups.get(arm.group_of(joint), (joint,)))
        return [joint]

    def _apply(self, changes: dict[str, Any], sliding: bool = False) -> bool:
        try:
            self.desk.apply(changes, sliding)
        except InputError as error:
            self.refuse(error)
            self._again()
            return False
        return True

    def _encoder(self, joint: str, event: Any) -> None:
        if self.filling or event.value not in self.offered.encoders:
            return
        taken = [own for own in self._joints(joint) if event.value in self.offered.by_joint.get(own, ())]
        self._apply(
            {k: v for own in taken or [joint] for k, v in encoder_change(self.offered, own, event.value).items()}
        )

    def _placement(self, joint: str, event: Any) -> None:
        if not self.filling and event.value:
            changes = {
                k: v for own in self._joints(joint) for k, v in placement_change(self.desk, own, event.value).items()
            }
            self._apply(changes)

    def _mounting(self, joint: str, event: Any) -> None:
        if not self.filling and event.value and event.value != AS_IT_IS:
            changes = {
                k: v for own in self._joints(joint) for k, v in mounting_change(self.desk, own, event.value).items()
            }
            self._apply(changes)

    def _typed(self, joint: str, field: Field, element: Any) -> None:
        text = str(element.value).strip()
        if self.filling or text == field.text or not text:
            return
        inside = field.path.removeprefix(f"joints.{joint}.")
        try:
            value = read_value(text, inside)
            self.desk.apply({f"joints.{own}.{inside}": value for own in self._joints(joint)})
        except InputError as error:
            problem = error.problems[0]
            message = f"{problem.found}; accepted: {problem.accepted}".replace('"', "'")[:160]
            element.props(f'error error-message="{message}"')

    def _slide_this(self, joint: str, field: Field) -> None:
        self.sliding = field
        self.panel.style("display: block")
        self.slid.set_text(f"{joint}: {field.label} [{field.unit}]" if field.unit else f"{joint}: {field.label}")
        top = 3.0 * abs(field.size) or 1.0
        if field.unit == "%":
            top = min(top, 100.0)
        self.slider._props["max"] = float(f"{top:.3g}")
        self.slider._props["step"] = float(f"{top / 150:.2g}")
        self.slider.value = field.size
        self.slider.update()

    def _slide(self, event: Any) -> None:
        field = self.sliding
        if field is None or not isinstance(event.args, int | float):
            return
        joint = field.path.split(".")[1]
        inside = field.path.removeprefix(f"joints.{joint}.")
        text: Any = f"{event.args:.6g} {field.unit}" if field.unit else float(event.args)
        going = self.desk.history.at > 0 and self.slid_path == field.path
        if self._apply({f"joints.{own}.{inside}": text for own in self._joints(joint)}, sliding=going):
            self.slid_path = field.path

    def _close(self) -> None:
        self.sliding, self.slid_path = None, ""
        self.panel.style("display: none")

    def _known(self) -> tuple[Row, ...]:
        """The rows of the design that stands."""
        key = self.desk.design.key
        if self.known[0] != key:
            self.known = key, rows(self.desk, self.offered)
        return self.known[1]

    def show(self) -> None:
        """What the design that stands says of every joint."""
        if self.key == self.desk.design.key:
            return
        self.key = self.desk.design.key
        self.filling = True
        try:
            for row in self._known():
                mine = self.rows[row.joint]
                _set(mine["encoder"], list(row.encoders), row.encoder)
                _set(mine["placement"], list(row.placements), row.placement)
                mine["price"].set_text(f"{row.price:g}")
                if "mounting" in mine:
                    _set(mine["mounting"], list(row.mountings), AS_IT_IS)
                if mine["fields"].visible:
                    self._fill(row, mine["fields"])
        finally:
            self.filling = False

    def _fill(self, row: Row, place: Any) -> None:
        known = self.fields.setdefault(row.joint, {})
        if list(known) == [field.path for field in row.fields]:
            for field in row.fields:
                own = known[field.path]
                if own.value != field.text:
                    self.entered[field.path] = own.value = field.text
                if "error" in own._props:
                    own.props(remove="error error-message")
            return
        known.clear()
        place.clear()
        with place:
            for field in row.fields:
                with ui.row().classes("items-center no-wrap w-full").style("gap: 4px"):
                    own = (
                        ui.input(field.label, value=field.text).props(f'dense data-path="{field.path}"').classes("col")
                    )
                    own.tooltip(field.meaning)
                    own.on(
                        "keydown.enter", lambda _, joint=row.joint, at=field.path, own=own: self._enter(joint, at, own)
                    )
                    own.on("blur", lambda _, joint=row.joint, at=field.path, own=own: self._leave(joint, at, own))
                    slide = ui.button(
                        icon="tune", on_click=lambda _, joint=row.joint, at=field.path: self._tune(joint, at)
                    )
                    slide.props(f'flat dense round size=sm aria-label="slide {field.label} of {row.joint}"')
                known[field.path] = own

    def _field(self, joint: str, path: str) -> Field | None:
        row = next(own for own in self._known() if own.joint == joint)
        return next((field for field in row.fields if field.path == path), None)

    def _leave(self, joint: str, path: str, element: Any) -> None:
        # told late by the browser, it may follow an undo of what was entered
        if self.entered.get(path) != element.value:
            self._enter(joint, path, element)

    def _enter(self, joint: str, path: str, element: Any) -> None:
        self.entered[path] = element.value
        field = self._field(joint, path)
        if field is not None:
            self._typed(joint, field, element)

    def _tune(self, joint: str, path: str) -> None:
        field = self._field(joint, path)
        if field is not None:
            self._slide_this(joint, field)


def _set(element: Any, options: list[str], value: str) -> None:
    """Options and value of a choice; what is the same is not sent to the browser again."""
    if element.options != options:
        element.set_options(options, value=value)
    elif element.value != value:
        element.value = value
