"""Page of a server without a scenario: the ones opened last, and the demo."""

from __future__ import annotations

from pathlib import Path

from nicegui import run, ui

from armsim.errors import InputError, RunError
from armsim.explorer.entrance import Entrance
from armsim.explorer.job_runner import fault_text
from armsim.explorer.recent import recent_scenarios
from armsim.explorer.scripts import lost_notice
from armsim.explorer.stylesheet import CSS, PRIMARY


class StartPage:
    """The page of one browser tab, until a scenario is chosen."""

    def __init__(self, entrance: Entrance) -> None:
        self.entrance = entrance
        ui.add_css(CSS)
        ui.colors(primary=PRIMARY)
        ui.add_body_html(lost_notice(entrance.command))
        ui.page_title("armsim")
        with ui.element("div").classes("start"):
            ui.label("Open a scenario").classes("text-h6").props("role=heading aria-level=1")
            recent = recent_scenarios()
            if not recent:
                ui.label("None was opened before. The demo is an invented arm to try the page with.")
            for path in recent:
                self._choice(path.name, str(path.parent), path)
            self._choice("demo", "an invented cell with its catalogue, in a temporary folder", None)
            ui.label("Another one: armsim explore SCENARIO").classes("quiet")
            self.state = ui.label().props("role=status data-name=start-state")

    def _choice(self, title: str, text: str, path: Path | None) -> None:
        with ui.row().classes("items-baseline w-full").style("gap: 8px"):
            button = ui.button(title, on_click=lambda: self._choose(path)).props("no-caps flat dense")
            button.props(f'data-open-scenario="{"demo" if path is None else "recent"}"')
            ui.label(text).classes("quiet")

    async def _choose(self, path: Path | None) -> None:
        self.state.set_text("reading the files, solving the poses …")
        try:
            await run.io_bound(self.entrance.choose, path)
        except (InputError, RunError) as error:
            self.state.set_text(fault_text(error))
        else:
            ui.navigate.reload()
