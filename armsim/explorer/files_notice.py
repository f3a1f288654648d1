"""Notice that input files have changed on disk since the page read them."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from nicegui import ui

from armsim.explorer.background_jobs import read_again
from armsim.explorer.job_runner import Work
from armsim.explorer.session import Session


class FilesNotice:
    """Line under the header, shown while files differ from what was read and the user has not chosen to go on."""

    def __init__(self, session: Session, begin: Callable[[str, Work], None]) -> None:
        self.session, self.begin = session, begin
        self.accepted: tuple[Path, ...] = ()
        with ui.row().classes("notice items-center w-full").props('role=alert data-name="files-changed"') as self.line:
            self.text = ui.label()
            ui.button("read again", on_click=self._read_again).props("flat dense no-caps data-name=read-again")
            ui.button("go on with what was read", on_click=self._go_on).props("flat dense no-caps data-name=go-on")
        self.line.set_visibility(False)

    def show(self) -> None:
        """Look at the files, and update the notice."""
        changed = self.session.changed_files
        if changed:
            names = ", ".join(path.name for path in changed)
            what = "saving, command and review wait until they are as they were or read again"
            self.text.set_text(f"changed on disk since they were read: {names}; {what}")
        self.line.set_visibility(bool(changed) and changed != self.accepted)

    def _read_again(self) -> None:
        self.begin("reading the files again", partial(read_again, self.session))

    def _go_on(self) -> None:
        self.accepted = self.session.changed_files
        self.show()
