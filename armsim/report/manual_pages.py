"""The manual as pages that a browser opens without a network: the Markdown of the package, and what the code declares.

The parser is markdown-it (CommonMark 0.31, with its tables), which the terminal library installs anyway; a site
generator would add some thirty packages for the same pages.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from armsim.report.manual_figures import lesson_figure
from armsim.report.manual_reference import Section, python_sections, results_sections
from armsim.report.reference import CAUSES, entries, explanation, index

if TYPE_CHECKING:
    from markdown_it.token import Token

FIRST, WORDS, GALLERY, PYTHON = "index", "words", "gallery", "python"
"""Names of the first page, which lists the others, of that with all words of `explain`, of lessons, of Python."""


@dataclass(frozen=True)
class Passage:
    """A heading of a page with the text below it: what a search finds.

    Parameters
    ----------
    page, anchor : str
        Page and anchor; no anchor for the top of the page.
    heading, text : str
    """

    page: str
    anchor: str
    heading: str
    text: str


@dataclass(frozen=True)
class ManualPage:
    """A page of the manual.

    Parameters
    ----------
    name : str
        Name of its file, without an ending.
    title : str
    body : str
        HTML.
    passages : tuple of Passage
    """

    name: str
    title: str
    body: str
    passages: tuple[Passage, ...]


def manual_pages(commands: Iterable[Section]) -> tuple[ManualPage, ...]:
    """All pages: the first, those that it links in their order, commands, Python, results.json, and the words.

    Parameters
    ----------
    commands : iterable of Section
        Every command with its options, which the command line declares.

    Returns
    -------
    tuple of ManualPage
    """
    texts = {
        file.name.removesuffix(".md"): file.read_text(encoding="utf-8")
        for file in files("armsim").joinpath("manual").iterdir()
        if file.name.endswith(".md")
    }
    linked = [name for name in re.findall(r"\]\(([a-z-]+)\.md\)", texts[FIRST]) if name in texts]
    words = _of_words()
    heading_anchors = {passage.heading: passage.anchor for passage in words.passages}
    pages = (_of_markdown(name, texts[name], heading_anchors) for name in dict.fromkeys([FIRST, *linked]))
    options = _of_sections("commands-reference", "Commands, every option", commands)
    python = _of_sections("python-reference", "Python, every name", python_sections())
    results = _of_sections("results-reference", "results.json, every part", results_sections())
    return (*pages, options, python, results, words)


def write_manual(folder: Path, commands: Iterable[Section]) -> None:
    """Write the pages, their style, the passages in which they search, and the page about Python as a notebook.

    Parameters
    ----------
    folder : Path
        An existing folder.
    commands : iterable of Section
        Every command with its options.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    pages = manual_pages(commands)
    template = Environment(
        loader=PackageLoader("armsim", "report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    ).get_template("manual.html")
    for page in pages:
        text = template.render(page=page, pages=pages, words=WORDS)
        (folder / f"{page.name}.html").write_text(text, encoding="utf-8")
    text = files("armsim").joinpath("manual", f"{PYTHON}.md").read_text(encoding="utf-8")
    (folder / f"{PYTHON}.ipynb").write_text(json.dumps(notebook(text), indent=1) + "\n", encoding="utf-8")
    rows = [[part.page, part.anchor, part.heading, part.text] for page in pages for part in page.passages]
    text = json.dumps(rows, ensure_ascii=False).replace("</", "<\\/")
    (folder / "passages.js").write_text(f"const PASSAGES = {text};\n", encoding="utf-8")


def notebook(text: str) -> dict[str, Any]:
    """Notebook of a page: its Python as cells of code, all else as cells of text.

    Parameters
    ----------
    text : str
        Markdown.

    Returns
    -------
    dict
        In the format of Jupyter, version 4.5, without outputs.
    """
    code: dict[str, Any] = {"cell_type": "code", "execution_count": None, "outputs": []}
    cells = []
    for number, part in enumerate(re.split(r"^```python\n(.*?)^```\n", text, flags=re.DOTALL | re.MULTILINE)):
        lines = part.strip("\n").splitlines(keepends=True)
        kind = code if number % 2 else {"cell_type": "markdown"}
        cells.append({**kind, "id": f"cell-{number}", "metadata": {}, "source": lines})
    return {"cells": cells, "metadata": {}, "nbformat": 4, "nbformat_minor": 5}


def _of_markdown(name: str, text: str, words: Mapping[str, str]) -> ManualPage:
    """Page of a Markdown file: headings get anchors, links lead to the pages, keys to their explanation.

    ``words``: anchors of the words that are explained.
    """
    from markdown_it import MarkdownIt

    parser = MarkdownIt("commonmark").enable("table")
    tokens = parser.parse(text)
    anchors: dict[str, int] = {}
    title, passages, heading, anchor = name, list[Passage](), "", ""
    below: list[str] = []
    for number, token in enumerate(tokens):
        if token.type == "heading_open":
            if heading:
                passages.append(Passage(name, anchor, heading, " ".join(below)))
            heading, below = _plain(tokens[number + 1 : number + 2]), []
            anchor = "" if token.tag == "h1" else _anchor(heading, anchors)
            if anchor:
                token.attrSet("id", anchor)
            else:
                title = heading
        elif token.type in ("inline", "fence") and tokens[number - 1].type != "heading_open":
            below.append(_plain([token]))
        for child in token.children or ():
            target = child.attrGet("href")
            if isinstance(target, str) and "://" not in target:
                child.attrSet("href", re.sub(r"\.md(?=#|$)", ".html", target))
    passages.append(Passage(name, anchor, heading, " ".join(below)))
    body = parser.renderer.render(tokens, parser.options, {})
    if name == GALLERY:
        body = re.sub(r"<td>(<code>([a-z-]+)</code>)</td>", _with_figure, body)
    body = re.sub(r"<!-- file: (\S+) -->", r'<p class="file">\1</p>', body)
    body = re.sub(r"(?<!<pre>)<code>([^<]+)</code>", partial(_explained, words), body)
    body = body.replace("<table>", '<div class="wide"><table>').replace("</table>", "</table></div>")
    return ManualPage(name, title, str(body), tuple(passages))


def _with_figure(cell: re.Match[str]) -> str:
    """Cell of a lesson, with its figure below the name."""
    return f"<td>{cell[1]}{lesson_figure(cell[2])}</td>"


def _explained(words: Mapping[str, str], code: re.Match[str]) -> str:
    """A word in code type, with a link where the manual explains it."""
    anchor = words.get(code[1])
    return code[0] if anchor is None else f'<a href="{WORDS}.html#{anchor}">{code[0]}</a>'


def _plain(tokens: Sequence[Token]) -> str:
    """Text of inline tokens and listings, without marks."""
    return " ".join(" ".join(_texts(tokens)).split())


def _texts(tokens: Sequence[Token]) -> Iterator[str]:
    for token in tokens:
        if token.children:
            yield "".join(" " if child.type == "softbreak" else child.content for child in token.children)
        else:
            yield token.content


def _anchor(heading: str, anchors: dict[str, int]) -> str:
    """Anchor of a heading, numbered where an earlier heading has that name."""
    anchor = re.sub(r"[^a-z0-9]+", "-", heading.lower()).strip("-")
    anchors[anchor] = anchors.get(anchor, 0) + 1
    return anchor if anchors[anchor] == 1 else f"{anchor}-{anchors[anchor]}"


def _of_sections(name: str, title: str, sections: Iterable[Section]) -> ManualPage:
    """Page of headings with a text of fixed width below each."""
    from markupsafe import Markup

    passages, anchors, parts = [Passage(name, "", title, "")], dict[str, int](), [Markup("<h1>{}</h1>\n").format(title)]
    for heading, text in sections:
        anchor = _anchor(heading, anchors)
        parts.append(Markup('<h2 id="{}">{}</h2>\n<pre><code>{}</code></pre>\n').format(anchor, heading, text))
        passages.append(Passage(name, anchor, heading, " ".join(text.split())))
    return ManualPage(name, title, str(Markup("").join(parts)), tuple(passages))


def _of_words() -> ManualPage:
    """Page of every word, key and cause, from the declarations of the code; causes lead to the keys that state them."""
    from markupsafe import Markup

    title = "Every key, cause and word"
    passages = [Passage(WORDS, "", title, "")]
    anchors: dict[str, int] = {}
    sections: list[Markup] = []
    for document, group_name, _, names in index():
        if group_name == CAUSES:
            continue
        parent = group_name if document else ""
        label = f"keys of the {document}{f': {parent}' if parent else ''}" if document else group_name
        sections.append(Markup('<h2 id="{}">{}</h2>\n').format(_anchor(label, anchors), label))
        for name in names:
            word = f"{parent}.{name}" if parent else name
            text, anchor = "\n\n".join(explanation(word)), _anchor(word, anchors)
            sections.append(Markup('<h3 id="{}">{}</h3>\n<pre><code>{}</code></pre>\n').format(anchor, word, text))
            passages.append(Passage(WORDS, anchor, word, " ".join(text.split())))
    heading_anchors = {passage.heading: passage.anchor for passage in passages}
    paths: dict[str, list[str]] = {}
    for entry in entries():
        if entry.field.key.cause is not None:
            paths.setdefault(entry.field.key.cause.name, []).append(entry.path)
    item, link = Markup("<li>{}: {}</li>\n"), Markup('<a href="#{}"><code>{}</code></a>')
    causes = Markup("").join(
        item.format(cause, Markup(", ").join(link.format(heading_anchors[path], path) for path in paths[cause]))
        for cause in sorted(paths)
    )
    start = Markup(
        "<h1>{}</h1>\n<p>As <code>armsim explain</code> prints them.</p>\n<h2 id={}>Causes of error</h2>\n<ul>{}</ul>\n"
    )
    body = start.format(title, _anchor(CAUSES, anchors), causes) + Markup("").join(sections)
    return ManualPage(WORDS, title, str(body), tuple(passages))
