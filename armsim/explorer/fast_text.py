"""Texts that reach the browser at once: updates of elements take it some 30 ms, a text that a script writes 2 ms."""

from __future__ import annotations

import html
import json
from collections.abc import Mapping
from typing import Any

from nicegui import ui

WRITE = """
for (const [id, text, look, design] of %s) {
  const own = document.getElementById(id);
  if (!own) continue;
  if (own.textContent !== text) own.textContent = text;
  own.className = look;
  own.dataset.design = design;
}
"""


class Quick:
    """The quick texts of a page, each under a name."""

    def __init__(self) -> None:
        self._places: dict[str, tuple[Any, str]] = {}
        self._said: dict[str, tuple[str, str, str]] = {}

    def place(self, name: str, attributes: str, look: str = "", text: str = "") -> Any:
        """Make the place of a text, where one is in the page.

        Parameters
        ----------
        name : str
        attributes : str
            Of its element, as written in HTML.
        look : str
            Classes.
        text : str
        """
        own = ui.html("", sanitize=False)  # what is told is escaped
        self._places[name] = own, attributes
        self._keep(name, text, look, "")
        return own

    def say(self, texts: Mapping[str, tuple[str, str]], design: str) -> None:
        """Write texts with their classes, of a design; what is the same is not sent again."""
        new = {name: (text, look, design) for name, (text, look) in texts.items()}
        changed = {name: own for name, own in new.items() if self._said.get(name) != own}
        for name, own in changed.items():
            self._keep(name, *own)
        if changed:
            ui.run_javascript(WRITE % json.dumps([[self._id(name), *own] for name, own in changed.items()]))

    def _id(self, name: str) -> str:
        return f"told-{self._places[name][0].id}"

    def _keep(self, name: str, text: str, look: str, design: str) -> None:
        """What the element holds, should it be built anew; not sent by itself."""
        own, attributes = self._places[name]
        self._said[name] = text, look, design
        with own._props.suspend_updates():
            own._props["innerHTML"] = (
                f'<span id="{self._id(name)}" {attributes} class="{html.escape(look)}" '
                f'data-design="{html.escape(design)}">{html.escape(text)}</span>'
            )
