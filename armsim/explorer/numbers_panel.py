"""Panel of numbers: every task with its deciding criterion, every criterion with its limit, the price."""

from __future__ import annotations

import html
from collections.abc import Callable

from nicegui import ui

from armsim.errors import InputError
from armsim.explorer import view_model
from armsim.explorer.fast_text import FastText, Written
from armsim.explorer.limit_editor import LimitEditor
from armsim.explorer.session import Session
from armsim.explorer.snapshot import Snapshot

MOST_UTILISATION = 1.25
"""Longest bar, over the limit."""


class NumbersPanel:
    """Upper part of the right pane."""

    def __init__(
        self,
        session: Session,
        fast_text: FastText,
        select_task: Callable[[int], None],
        refuse: Callable[[InputError], None],
    ) -> None:
        self.fast_text = fast_text
        self.placed: tuple[tuple[str, str], ...] = ()
        self.numbers_by_name: dict[str, view_model.Number] = {}
        tasks = session.study.scenario.tasks
        with ui.element("div").classes("pane").props('role=region aria-label="results"'):
            with ui.column().classes("w-full tasks").style("gap: 2px"):
                for n, task in enumerate(tasks if len(tasks) > 1 else ()):
                    with (
                        ui.element("button")
                        .classes("task-line")
                        .props(f'data-task="{html.escape(task.name)}"')
                        .on("click", lambda _, number=n: select_task(number))
                    ):
                        ui.label(task.name).classes("ellipsis")
                        fast_text.add(f"task {n}", 'data-name="task-figure"')
            fast_text.add("shown task", 'data-name="shown-task"', Written("", "text-weight-medium"))
            self.figures = ui.column().classes("w-full").style("gap: 3px")
            self.limit_editor = LimitEditor(session, refuse)

    def texts(self, snapshot: Snapshot, task: int) -> dict[str, Written]:
        """Texts of a task; the rows are rebuilt where the criteria change."""
        numbers = view_model.numbers(snapshot, task)
        placed = tuple((number.name, number.path) for number in numbers)
        if placed != self.placed and (snapshot.answer.assessed_tasks or not self._same_names(numbers)):
            self._rebuild(numbers)
            self.placed = placed
        if snapshot.answer.assessed_tasks:
            self.numbers_by_name = {number.name: number for number in numbers}
            for number in numbers:
                if number.path:
                    self.limit_editor.follow(number)
        texts = {"shown task": Written(snapshot.study.scenario.tasks[task].name, "text-weight-medium")}
        for number in numbers:
            utilisation = min(number.utilisation, MOST_UTILISATION)
            texts[number.name] = Written(number.text, f"figure {number.tone}")
            if snapshot.answer.assessed_tasks:
                texts[f"{number.name} limit"] = Written(number.limit, "limit")
            texts[f"{number.name} where"] = Written(f"at {number.pose_or_task}" if number.pose_or_task else "", "quiet")
            texts[f"{number.name} load"] = Written("", f"gauge {number.tone}" if utilisation else "", utilisation)
        for n, (text, tone) in enumerate(view_model.task_lines(snapshot)):
            if len(snapshot.study.scenario.tasks) > 1:
                current = " current" if n == task else ""
                texts[f"task {n}"] = Written(text, f"{tone}{current}")
        return texts

    def _same_names(self, numbers: list[view_model.Number]) -> bool:
        return [name for name, _ in self.placed] == [number.name for number in numbers]

    def _rebuild(self, numbers: list[view_model.Number]) -> None:
        self.limit_editor.close()
        self.figures.clear()
        add = self.fast_text.add
        with self.figures:
            for number in numbers:
                with ui.element("div").classes("number w-full") as row:
                    heading = ui.row().classes("items-baseline justify-between w-full no-wrap").style("gap: 6px")
                    with heading:
                        ui.label(number.name).classes("quiet").style("white-space: nowrap")
                        add(f"{number.name} where", "", Written("", "quiet"))
                    with ui.row().classes("items-baseline w-full").style("gap: 6px"):
                        add(number.name, f'data-number="{number.name}"', Written(number.text, f"figure {number.tone}"))
                        add(f"{number.name} limit", "", Written(number.limit, "limit"))
                        if number.path:
                            self._edit_button(number.name, row)
                    add(f"{number.name} load", "")
                heading.tooltip(number.meaning)

    def _edit_button(self, name: str, row: ui.element) -> None:
        button = ui.button(icon="tune", on_click=lambda: self.limit_editor.open(self.numbers_by_name[name], row))
        button.props(f'flat dense round size=xs aria-label="change the limit of {html.escape(name)}"')
