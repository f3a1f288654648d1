"""Folder of a review: written from question, answer, frames, figures and sections of a command."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from armsim.formatting import plural
from armsim.report import boilerplate
from armsim.report.csv_tables import write_table
from armsim.report.document import Front, ReviewDocument, Section, Table, Tone, in_rows
from armsim.report.drawing import Planned, begin, finish, rasterizing
from armsim.report.findings import front_notes
from armsim.report.frame import Exact
from armsim.report.gallery import GAUGES
from armsim.report.helpers import Helpers
from armsim.report.html import write_page
from armsim.report.manifest import Sample, manifest_of
from armsim.report.output_folder import folder
from armsim.report.pdf import Paper, write_pdf
from armsim.report.pictures import Pictures
from armsim.report.slides import write_slides
from armsim.results import Result
from armsim.scenario import CHANGED, Scenario
from armsim.sources import Source

NO_HELPERS = Helpers(0)
Writer = Callable[[Path], None]


WIDE, WRAPPED = 8, 2
"""Number of columns from which names wrap, and notes that a wrapped row replaces."""


@dataclass(frozen=True, eq=False)
class Review:
    """Content of a review.

    Parameters
    ----------
    title, subtitle : str
    question, answer : str
        Whole sentences; the first sentence of the answer states the verdict.
    tone : str
        Tone of the answer.
    table : Table
        Table of the first page.
    design : Table, optional
        Table of what is built, on the first page.
    sections : tuple of Section
        The body; the figures of its anchor stand before the blocks of a section.
    figures : iterable of Planned
    first_page_figures : tuple of str
        Names of figures of the first page, the largest first.
    sentences, advice, notes, key_facts : tuple of str
        As in `document.Front`; all notes are repeated in the appendix.
    appendix : tuple of Section
        Sections of this review, before assumptions, inputs, references and provenance.
    model : Result or Scenario, optional
        Result or scenario whose assumptions are listed.
    sample : Sample, optional
    sources : tuple of Source
        Files that were read.
    scenario_file : Path, optional
        Scenario whose earlier results the folder may replace.
    files : mapping of name to a function that writes it
    tables : mapping of name to table
        CSV files, without their ending.
    """

    title: str
    subtitle: str
    question: str
    answer: str
    tone: Tone
    table: Table
    sections: tuple[Section, ...]
    figures: Iterable[Planned] = ()
    first_page_figures: tuple[str, ...] = ()
    design: Table | None = None
    sentences: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    key_facts: tuple[str, ...] = ()
    appendix: tuple[Section, ...] = ()
    model: Result | Scenario | None = None
    sample: Sample | None = None
    sources: tuple[Source, ...] = ()
    scenario_file: Path | None = None
    files: Mapping[str, Writer] = field(default_factory=dict)
    tables: Mapping[str, Exact] = field(default_factory=dict)

    def document(self, pictures: Pictures, manifest: Mapping[str, Any]) -> ReviewDocument:
        """Document of the review with its pictures."""
        named = {picture.name: picture for group in pictures.values() for picture in group}
        group = tuple(named[name] for name in self.first_page_figures if name in named)
        lines = WRAPPED if len(self.table.headers) > WIDE else 1
        changes = [note.removeprefix(CHANGED) for note in self.notes if note.startswith(CHANGED)]
        notes = [note for note in self.notes if not note.startswith(CHANGED)]
        changed = f"; {plural(len(changes), 'value')} changed, see the inputs" if changes else ""
        front = Front(
            f"The question: {self.question}", self.answer, self.tone, self.sentences, self.table, group, self.advice,
            front_notes(notes, lines * len(self.table.rows)), self.key_facts, named.get(GAUGES), self.design,
        )  # fmt: skip
        sections, own_appendix = (
            tuple(
                replace(section, blocks=(*in_rows(pictures.get(section.anchor, ())), *section.blocks))
                for section in part
            )
            for part in (self.sections, self.appendix)
        )
        assumed = () if self.model is None else (boilerplate.assumptions_section(self.model),)
        appendix = (
            *boilerplate.notes(notes),
            *own_appendix,
            *assumed,
            boilerplate.inputs(self.sources, changes),
            boilerplate.references(),
            boilerplate.provenance(manifest),
            boilerplate.glossary(),
        )
        body = tuple(section for section in sections if section.blocks)
        day = str(manifest["time"])[:10]
        return ReviewDocument(
            self.title,
            self.subtitle + changed,
            self.title,
            day,
            (*body, boilerplate.cautions()),
            front=front,
            appendix=appendix,
        )


def write_review(
    out: Path,
    review: Review,
    command: str,
    paper: Paper = "a4",
    progress: Callable[[str, int, int], None] = lambda what, completed, total: None,
    on_written: Callable[[Path], None] = lambda review_folder: None,
    helpers: Helpers = NO_HELPERS,
    slides: bool = False,
    requested: Callable[[Path], Mapping[str, Any]] = lambda review_folder: {},
) -> None:
    """Write the folder of a review: results, tables, figures, manifest, page and PDF.

    Parameters
    ----------
    out : Path
        The folder; an earlier result there is replaced at the very end.
    review : Review
    command : str
        Command line that repeats the review.
    paper : str
        Paper size of the PDF.
    progress : callable
        Called with the kind of output being written, the number done, and the total.
    on_written : callable
        Called with the folder as soon as it is in place.
    helpers : Helpers
        Processes that draw beside this one.
    slides : bool
        Whether to write slides too.
    requested : callable
        Returns further entries of the manifest, from the folder with its results.
    """
    with folder(out, review.scenario_file, on_written) as review_folder:
        begun = begin(review_folder / "figures", review.figures, helpers)
        parts = len(review.files) + len(review.tables)
        for completed, (name, write) in enumerate(review.files.items()):
            progress("tables", completed, parts)
            write(review_folder / name)
        (review_folder / "tables").mkdir()
        for completed, (name, exact) in enumerate(review.tables.items(), start=len(review.files)):
            progress("tables", completed, parts)
            write_table(review_folder / "tables" / f"{name}.csv", exact)
        progress("tables", parts, parts)
        pictures = finish(begun, progress)
        manifest = {**manifest_of(review.model, review.sample, review.sources, command), **requested(review_folder)}
        write_json(manifest, review_folder / "manifest.json")
        document = review.document(pictures, manifest)
        with rasterizing(begun, helpers):
            progress("pages", 0, 2)
            write_page(review_folder / "report.html", document)
            if slides:
                write_slides(review_folder / "slides.pptx", document)
            progress("pages", 1, 2)
            write_pdf(review_folder / "report.pdf", document, paper)
            progress("pages", 2, 2)


def write_json(data: Mapping[str, Any], path: Path) -> None:
    """Write a record as a JSON file."""
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def json_file(data: Mapping[str, Any]) -> Writer:
    """A record as a JSON file of a review."""
    return partial(write_json, data)


def text_file(text: str) -> Writer:
    """A text as a file of a review."""

    def write(path: Path) -> None:
        path.write_text(text, encoding="utf-8")

    return write


def result_file(result: Result) -> Writer:
    """Result of a run as a file of a review."""

    def write(path: Path) -> None:
        with path.open("wb") as file:
            file.writelines(result.pieces())

    return write
