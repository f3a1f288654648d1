"""A document as one self-contained HTML page, with values in its figures."""

from __future__ import annotations

import base64
import json
from importlib.resources import files
from pathlib import Path

from armsim.report.document import Picture, ReviewDocument

MOST_SPOTS = 4000
"""Most values with a tooltip in one picture."""


def write_page(path: Path, document: ReviewDocument) -> None:
    """Write the page; the files of its pictures are found relative to it."""
    from jinja2 import Environment
    from markupsafe import Markup

    def embedded(file: str) -> str:
        return base64.b64encode((path.parent / file).read_bytes()).decode()

    def spots(picture: Picture) -> Markup:
        thinned = picture.spots[:: max(1, -(-len(picture.spots) // MOST_SPOTS))]
        rows = [[round(spot.x, 4), round(spot.y, 4), spot.text] for spot in thinned]
        return Markup(json.dumps(rows, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c"))

    def scene(picture: Picture) -> Markup:
        return Markup((path.parent / picture.scene).read_text(encoding="utf-8").replace("<", "\\u003c"))

    def turning() -> Markup:
        """Source of the library that rotates scenes (5 MB)."""
        from plotly.offline import get_plotlyjs

        return Markup(get_plotlyjs())

    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(files("armsim.report").joinpath("page.html").read_text(encoding="utf-8"))
    functions = {"embedded": embedded, "spots": spots, "scene": scene, "turning": turning}
    path.write_text(template.render(document=document, scenes=document.scenes, **functions), encoding="utf-8")
