"""Texts that a script writes directly in the browser: 2 ms each, where an update of an element takes some 30 ms."""

from __future__ import annotations

import html
import json
from collections.abc import Mapping
from typing import Any, NamedTuple

from nicegui import ui

WRITE = """
for (const [id, text, css_class, load, design] of %s) {
  const element = document.getElementById(id);
  if (!element) continue;
  if (element.textContent !== text) element.textContent = text;
  element.className = css_class;
  element.style.setProperty('--load', load);
  element.dataset.design = design;
}
"""


class Written(NamedTuple):
    """A text with its CSS classes, and the length of its bar: the CSS variable ``--load``."""

    text: str
    css_class: str = ""
    utilisation: float = 0.0


EMPTY = Written("")


class FastText:
    """The fast texts of a page, each under a name."""

    def __init__(self) -> None:
        self._elements: dict[str, tuple[Any, str]] = {}
        self._texts: dict[str, tuple[Written, str]] = {}

    def add(self, name: str, attributes: str, written: Written = EMPTY) -> Any:
        """Add the element of a text at the present place of the page.

        Parameters
        ----------
        name : str
        attributes : str
            HTML attributes of its element.
        written : Written
        """
        element = ui.html("", sanitize=False)  # the text is escaped below
        self._elements[name] = element, attributes
        self._set_html(name, written, "")
        return element

    def update(self, texts: Mapping[str, Written], design: str) -> None:
        """Write texts, with the key of their design; unchanged ones are not resent."""
        changed = {name: text for name, text in texts.items() if self._texts.get(name) != (text, design)}
        for name, text in changed.items():
            self._set_html(name, text, design)
        if changed:
            ui.run_javascript(WRITE % json.dumps([[self._id(name), *text, design] for name, text in changed.items()]))

    def _id(self, name: str) -> str:
        return f"text-{self._elements[name][0].id}"

    def _set_html(self, name: str, written: Written, design: str) -> None:
        """Store the text in the element for a rebuild of the page, without sending it."""
        element, attributes = self._elements[name]
        self._texts[name] = written, design
        with element._props.suspend_updates():
            styled = f'class="{html.escape(written.css_class)}" style="--load: {written.utilisation:g}"'
            element._props["innerHTML"] = (
                f'<span id="{self._id(name)}" {attributes} {styled} data-design="{html.escape(design)}">'
                f"{html.escape(written.text)}</span>"
            )
