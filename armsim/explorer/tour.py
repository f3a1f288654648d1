"""A short tour of the page, shown at the first visit, and whenever it is requested."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

from nicegui import ui

from armsim.disk_cache import cache_folder

STEPS = (
    (
        ".results-pane",
        "Is the requirement met?",
        "The badge at the top says so, with the figure that decides and its limit. This column has every criterion "
        "with its limit: the bar is the figure, the mark on it the limit. The symbol beside a limit changes the limit.",
    ),
    (
        ".maps-pane",
        "Where, and how large?",
        "The map shows the error at every pose of a task. Point at a pose to preview it, click to hold it; "
        "“worst” follows the worst pose again. The arm stands at that pose, with its error magnified.",
    ),
    (
        ".joints-pane",
        "Change the design",
        "Every joint has its encoder, placement and mounting; the arrow unfolds all of its values. Each change is "
        "answered at once, roughly at first, then by simulated arms. Ctrl+Z takes back one change.",
    ),
    (
        ".questions",
        "Ask for more",
        "What takes longer is started here: the cheapest encoders that meet the requirement, what a change would "
        "bring, a value varied over a range. The answer opens at the lower edge; you can go on working meanwhile.",
    ),
    (
        ".page-buttons",
        "Keep what you find",
        "Pin a design to compare it with others, save it as a scenario file, or make its review. "
        "The question mark opens this tour again.",
    ),
)
"""Steps: the selector of a part of the page, a title, a text."""
MARK = """
document.querySelectorAll('.toured').forEach((place) => place.classList.remove('toured'));
const place = %s && document.querySelector(%s);
if (place) { place.classList.add('toured'); place.scrollIntoView({block: 'nearest'}); }
"""
"""Script that marks the place of a step, and no other."""


def seen_file() -> Path:
    """File that exists once this user has seen or skipped the tour."""
    return cache_folder("explorer") / "tour-seen"


def is_seen() -> bool:
    """Whether this user has seen or skipped the tour."""
    return seen_file().exists()


def remember() -> None:
    """Show the tour by itself no more; it comes again where that cannot be written."""
    with suppress(OSError):
        seen_file().parent.mkdir(parents=True, exist_ok=True)
        seen_file().touch()


class Tour:
    """Dialog of the tour, a step at a time. The escape key, or a click beside it, ends it as its buttons do."""

    def __init__(self) -> None:
        self.step = 0
        with (
            ui.dialog().props('position=bottom aria-label="tour of the page"').classes("tour") as self.dialog,
            ui.card().props("data-name=tour").style("gap: 6px; width: 560px"),
        ):
            with ui.element("div").props("aria-live=polite").classes("w-full"):
                self.title = ui.label().classes("text-subtitle1 text-weight-medium").props("role=heading aria-level=2")
                self.text = ui.label()
            with ui.row().classes("items-center w-full").style("gap: 8px"):
                self.count = ui.label().classes("quiet")
                ui.space()
                self.skip = ui.button("skip the tour", on_click=self.dialog.close).props("flat no-caps")
                self.skip.props("data-name=tour-skip")
                self.back = ui.button("back", on_click=lambda: self._show(self.step - 1)).props("flat no-caps")
                self.next = ui.button("next", on_click=self._go_on).props("no-caps data-autofocus data-name=tour-next")
        self.dialog.on("hide", self._end)

    def open(self) -> None:
        """Begin the tour."""
        self._show(0)
        self.dialog.open()

    def _go_on(self) -> None:
        if self.step + 1 < len(STEPS):
            self._show(self.step + 1)
        else:
            self.dialog.close()

    def _show(self, step: int) -> None:
        self.step = step
        selector, title, text = STEPS[step]
        is_last = step + 1 == len(STEPS)
        self.title.set_text(title)
        self.text.set_text(text)
        self.count.set_text(f"{step + 1} of {len(STEPS)}")
        self.back.set_visibility(step > 0)
        self.skip.set_visibility(not is_last)
        self.next.set_text("done" if is_last else "next")
        _mark(selector)

    def _end(self) -> None:
        remember()
        _mark("")


def _mark(selector: str) -> None:
    ui.run_javascript(MARK % (json.dumps(selector), json.dumps(selector)))
