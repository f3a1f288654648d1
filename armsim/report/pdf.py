"""A document as a typeset PDF, with the figures as vector graphics."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Literal

from armsim.errors import RunError
from armsim.report.document import ReviewDocument

Paper = Literal["a4", "letter"]
PAPERS: dict[Paper, str] = {"a4": "a4", "letter": "us-letter"}


def write_pdf(path: Path, document: ReviewDocument, paper: Paper = "a4") -> None:
    """Write the PDF; the files of its pictures are found relative to it.

    Raises
    ------
    RunError
        The typesetter fails.
    """
    import typst

    source, data = path.with_name(".review.typ"), path.with_name(".review.json")
    try:
        source.write_text(files("armsim.report").joinpath("review.typ").read_text(encoding="utf-8"), encoding="utf-8")
        data.write_text(json.dumps(document.to_dict(), ensure_ascii=False), encoding="utf-8")
        fonts = Path(_matplotlib_fonts())
        typst.compile(
            str(source), output=str(path), root=str(path.parent), font_paths=[str(fonts)],
            sys_inputs={"paper": PAPERS[paper]},
        )  # fmt: skip
    except typst.TypstError as error:
        raise RunError(f"the PDF could not be set: {error}") from error
    finally:
        source.unlink(missing_ok=True)
        data.unlink(missing_ok=True)


def _matplotlib_fonts() -> str:
    """Folder of the fonts of matplotlib, so that the PDF looks alike on every machine."""
    import matplotlib as mpl

    return str(Path(mpl.get_data_path()) / "fonts" / "ttf")
