"""Texts that a script writes directly in the browser: 2 ms each, where an update of an element takes some 30 ms."""

from __future__ import annotations

import html
import json
from collections.abc import Mapping
from typing import Any

from nicegui import ui

WRITE = """
for (const [id, text, css_class, design] of %s) {
  const element = document.getElementById(id);
  if (!element) continue;
  if (element.textContent !== text) element.textContent = text;
  element.className = css_class;
  element.dataset.design = design;
}
"""


class FastText:
    """The fast texts of a page, each under a name."""

    def __init__(self) -> None:
        self._elements: dict[str, tuple[Any, str]] = {}
        self._texts: dict[str, tuple[str, str, str]] = {}

    def place(self, name: str, attributes: str, css_class: str = "", text: str = "") -> Any:
        """Add the element of a text at the present place of the page.

        Parameters
        ----------
        name : str
        attributes : str
            HTML attributes of its element.
        css_class : str
            CSS classes.
        text : str
        """
        element = ui.html("", sanitize=False)  # the text is escaped below
        self._elements[name] = element, attributes
        self._set_html(name, text, css_class, "")
        return element

    def update(self, texts: Mapping[str, tuple[str, str]], design: str) -> None:
        """Write texts with their CSS classes and the key of their design; unchanged ones are not resent."""
        new = {name: (text, css_class, design) for name, (text, css_class) in texts.items()}
        changed = {name: entry for name, entry in new.items() if self._texts.get(name) != entry}
        for name, entry in changed.items():
            self._set_html(name, *entry)
        if changed:
            ui.run_javascript(WRITE % json.dumps([[self._id(name), *entry] for name, entry in changed.items()]))

    def _id(self, name: str) -> str:
        return f"text-{self._elements[name][0].id}"

    def _set_html(self, name: str, text: str, css_class: str, design: str) -> None:
        """Store the text in the element for a rebuild of the page, without sending it."""
        element, attributes = self._elements[name]
        self._texts[name] = text, css_class, design
        with element._props.suspend_updates():
            element._props["innerHTML"] = (
                f'<span id="{self._id(name)}" {attributes} class="{html.escape(css_class)}" '
                f'data-design="{html.escape(design)}">{html.escape(text)}</span>'
            )
