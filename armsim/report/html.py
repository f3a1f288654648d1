"""A document as one self-contained HTML page, with values in its figures."""

from __future__ import annotations

import base64
import json
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

from armsim.glossary import MEANING
from armsim.report.document import Picture, ReviewDocument

GLOSSARY_ANCHOR = "glossary"
"""Anchor of the section whose rows explain words."""
MOST_SPOTS = 4000
"""Most values with a tooltip in one picture."""


def scene_script() -> str:
    """Source of the script that turns scenes."""
    return files("armsim.report").joinpath("turning_scene.js").read_text(encoding="utf-8")


def meaning(header: str) -> str:
    """Longest word of the glossary in the header of a column; empty where there is none."""
    words = [word for word in MEANING if re.search(rf"\b{re.escape(word)}\b", header)]
    return max(words, key=len, default="")


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

    def anchor(word: str) -> str:
        return f"meaning-{'-'.join(word.split())}"

    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(files("armsim.report").joinpath("page.html").read_text(encoding="utf-8"))
    script = Markup(scene_script()) if document.scenes else ""
    functions: dict[str, Any] = {"embedded": embedded, "spots": spots, "scene": scene, "meaning": meaning}
    functions |= {"anchor": anchor, "glossary": GLOSSARY_ANCHOR, "scene_script": script}
    path.write_text(template.render(document=document, **functions), encoding="utf-8")
