"""Measures of the pages of a PDF: how full they are, how small their letters are, and whether any text runs into another."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as pdfium_c

HEAD, FOOT = 19 / 25.4 * 72, 16 / 25.4 * 72
"""Margins of a page, which hold running title and number. [pt]"""
BANDS = 50
"""Bands of equal height into which a page is cut between its margins."""
TOUCH = 1.0
"""Overlap of two boxes that still counts as touching: boxes hold the line's whole height. [pt]"""


def fills(path: Path) -> list[float]:
    """Share of the bands of every page, between its margins, that hold ink."""
    out = []
    for page in pdfium.PdfDocument(path):
        grey = np.asarray(page.render(scale=1).to_pil().convert("L"))
        rows = (grey[int(HEAD) : grey.shape[0] - int(FOOT)] < 200).any(axis=1)
        out.append(float(np.mean([band.any() for band in np.array_split(rows, BANDS)])))
    return out


def smallest_letters(path: Path) -> list[float]:
    """Size of the smallest letter of every page, by its matrix. [pt]"""
    out = []
    for page in pdfium.PdfDocument(path):
        text = page.get_textpage()
        sizes = []
        for n in range(text.count_chars()):
            matrix = pdfium_c.FS_MATRIX()
            if chr(pdfium_c.FPDFText_GetUnicode(text, n)).strip() and pdfium_c.FPDFText_GetMatrix(text, n, matrix):
                sizes.append(pdfium_c.FPDFText_GetFontSize(text, n) * float(np.hypot(matrix.c, matrix.d)))
        out.append(min(sizes))
    return out


def overlaps(path: Path) -> Iterator[tuple[int, str, str]]:
    """Pairs of texts whose boxes overlap: page from 1, and both texts."""
    for number, page in enumerate(pdfium.PdfDocument(path), start=1):
        text = page.get_textpage()
        boxes = np.array([text.get_rect(n) for n in range(text.count_rects())])  # left, bottom, right, top
        low, high = boxes[:, None, :2], boxes[:, None, 2:]
        shared = np.minimum(high, boxes[None, :, 2:]) - np.maximum(low, boxes[None, :, :2])
        for one, other in np.argwhere(np.triu((shared > TOUCH).all(axis=2), 1)):
            pair = [text.get_text_bounded(*boxes[n]) for n in (one, other)]
            yield number, pair[0], pair[1]
