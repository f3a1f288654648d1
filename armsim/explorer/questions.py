"""Buttons that start jobs on the present design, and the dialogs of those that need values."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from nicegui import ui

from armsim.decide.sweep import values_of
from armsim.errors import InputError
from armsim.explorer import background_jobs
from armsim.explorer.job_runner import Work
from armsim.explorer.session import Session

ALL_JOINTS = "all joints"


class Questions:
    """Buttons of the questions that a page answers by a job."""

    def __init__(self, session: Session, begin: Callable[[str, Work], None]) -> None:
        self.session, self.begin = session, begin
        scenario = session.current.scenario  # with what the page was opened with, such as a calibration
        with ui.row().classes("w-full").style("gap: 2px"):
            if session.inputs.options is not None and scenario.requirement is not None:
                meaning = "Search the catalogue for the cheapest set that meets the requirement."
                self._add(
                    "find cheapest", "cheapest", meaning, partial(begin, "find cheapest", background_jobs.cheapest)
                )
            meaning = "Effect of one ideal joint, one cause halved, one more bit."
            self._add("what-if", "worth", meaning, partial(begin, "what-if", background_jobs.what_ifs))
            self._add("sweep", "sweep", "The criteria against values of one number or two.", self._open_sweep)
            meaning = "Effect of every number of a joint on the error: per unit, and 10 % less of it."
            self._add("sensitivity", "sensitivity", meaning, self._open_sensitivity)
            meaning = "Histogram of the built arms with the limit, and what rests on assumed values."
            self._add("arms", "arms", meaning, partial(begin, "arms", background_jobs.whole_result))
            if scenario.calibration is not None:
                meaning = "The error before and after the calibration that the scenario states."
                self._add("calibrate", "calibrate", meaning, partial(begin, "calibrate", background_jobs.calibration))

    @staticmethod
    def _add(text: str, name: str, meaning: str, do: Callable[[], None]) -> None:
        ui.button(text, on_click=lambda: do()).props(f"flat dense no-caps data-name={name}").tooltip(meaning)

    def _open_sweep(self) -> None:
        with ui.dialog(value=True) as dialog, ui.card():
            ui.label("Judge the tasks at values of one number, as armsim run --sweep does; of two, as a map.")
            first = self.session.study.scenario.machine.arm.names[0]
            path = ui.input("path", value=f"joints.{first}.mounting.eccentricity")
            path.classes("w-full").props("data-name=sweep-path")
            values = ui.input("values", value="0um..40um:6").classes("w-full").props("data-name=sweep-values")
            second = ui.input("second path, for a map").classes("w-full").props("data-name=sweep-second")
            others = ui.input("its values").classes("w-full").props("data-name=sweep-others")

            def go() -> None:
                key_path, text, other, other_text = (
                    str(field.value or "").strip() for field in (path, values, second, others)
                )
                if not all([_valid(values), not other or _valid(others)]):
                    return
                if other:
                    self.begin("sweep of two", partial(background_jobs.sweep_two, key_path, text, other, other_text))
                else:
                    self.begin("sweep", partial(background_jobs.sweep_number, key_path, text))
                dialog.close()

            ui.button("sweep", on_click=go).props("no-caps data-name=sweep-go")

    def _open_sensitivity(self) -> None:
        names = [*self.session.study.scenario.machine.arm.names, ALL_JOINTS]
        with ui.dialog(value=True) as dialog, ui.card():
            joint = ui.select(names, value=names[0], label="numbers of").classes("w-full").props("data-name=of-joint")

            def go() -> None:
                name = "" if joint.value == ALL_JOINTS else str(joint.value)
                self.begin(f"sensitivity {name}".strip(), partial(background_jobs.sensitivity, name))
                dialog.close()

            ui.button("compute", on_click=go).props("no-caps data-name=sensitivity-go")


def _valid(field: Any) -> bool:
    """Whether a field states values of a sweep; if not, the field says what it accepts."""
    try:
        values_of(str(field.value or "").strip())
    except InputError as error:
        problem = error.problems[0]
        field.error = f"{problem.actual}; accepted: {problem.accepted}"
        return False
    field.error = None
    return True
