"""Tables, words and folder of measured error curves."""

from __future__ import annotations

import platform
from collections.abc import Callable
from functools import partial
from pathlib import Path

from armsim.calibration.curve_analysis import Curves, Measured
from armsim.figures.measured_curve_figures import measured_curve
from armsim.formatting import percent, show_joint
from armsim.report import boilerplate
from armsim.report.csv_tables import write_table
from armsim.report.document import Block, Bullets, Cell, Listing, ReviewDocument, Section, Text, Tone, in_rows, table
from armsim.report.drawing import Planned, keep
from armsim.report.gallery import file_name
from armsim.report.html import write_page
from armsim.report.output_folder import folder
from armsim.report.pdf import Paper, write_pdf
from armsim.report.pictures import Pictures
from armsim.report.run_folder import origin, write_json
from armsim.sources import Source
from armsim.version import made_by, own_version, source_digest

HEADERS = ("order", "amplitude", "standard uncertainty", "law: half", "law: 95 %", "place in the law", "made by")


def order_rows(own: Measured) -> list[tuple[str, ...]]:
    """Rows of `HEADERS`."""
    unit = "rad" if own.curve.rotary else "m"
    rows: list[tuple[str, ...]] = []
    each = zip(own.orders, own.fit.amplitudes.tolist(), own.fit.uncertainties.tolist(), own.laws, strict=True)
    for order, amplitude, uncertainty, law in each:
        beside: tuple[str, ...] = ("–", "–", "–", "nothing that is stated")
        if law is not None:
            place = percent(law.place) + (" !" if law.contradicts else "")
            beside = (show_joint(law.p50, unit), show_joint(law.p95, unit), place, ", ".join(law.causes))
        rows.append((str(order), show_joint(amplitude, unit), show_joint(uncertainty, unit), *beside))
    return rows


def sentence(own: Measured, encoder: str | None) -> str:
    """What was found of a sensor."""
    unit, fit = "rad" if own.curve.rotary else "m", own.fit
    text = f"{own.curve.sensor}: {len(own.curve.angle)} points, noise left {show_joint(fit.noise, unit)} rms"
    if fit.reversal == fit.reversal:  # not nan
        text += f", upwards it reads {show_joint(fit.reversal, unit)} more than downwards "
        text += f"(standard uncertainty {show_joint(fit.reversal_uncertainty, unit)})"
    if encoder is None:
        return text
    if not own.contradicted:
        return f"{text}; every order lies within the law of {encoder} and its mounting"
    orders = ", ".join(map(str, own.contradicted))
    return (
        f"{text}; larger than the law of {encoder} and its mounting allows, all orders taken together: order {orders}"
    )


def batch(found: Curves) -> str | None:
    """What leaving out one sensor after the other tells; None from too few."""
    if found.leave_one_out is None:
        return None
    far = sum(chance < 0.05 for chance in found.leave_one_out)
    number = len(found.leave_one_out)
    expected = f"{0.05 * number:.2g} to be expected"
    return f"By the law of the others, {far} of {number} sensors are as far off as 5 % would be ({expected})"


def write_curves(
    out: Path,
    found: Curves,
    sources: tuple[Source, ...],
    command: str,
    paper: Paper = "a4",
    progress: Callable[[str, int, int], None] = lambda what, done, total: None,
    landed: Callable[[Path], None] = lambda place: None,
) -> None:
    """Write curve.json, tables, figures and the document; an earlier one there is replaced at the very end."""
    with folder(out, None, landed) as place:
        write_json(place / "curve.json", found.to_dict())
        (place / "tables").mkdir()
        header = ["sensor", "order", "amplitude [SI]", "standard uncertainty [SI]", "cosine [SI]", "sine [SI]",
                  "law, half [SI]", "law, 95 % [SI]", "place in the law [1]", "contradicts"]  # fmt: skip
        lines: list[list[object]] = []
        for own in found.sensors:
            rows = zip(own.orders, own.fit.amplitudes.tolist(), own.fit.uncertainties.tolist(), own.laws, strict=True)
            for n, (order, amplitude, uncertainty, law) in enumerate(rows):
                beside: list[object] = (
                    ["", "", "", ""] if law is None else [law.p50, law.p95, law.place, law.contradicts]
                )
                cosine, sine = own.fit.coefficients[2 * n : 2 * n + 2].tolist()
                lines.append([own.curve.sensor, order, amplitude, uncertainty, cosine, sine, *beside])
        write_table(place / "tables" / "orders.csv", header, lines)
        caption = "Points, waves fitted to them, what is left, and the orders."
        planned = [
            Planned("curves", file_name(own.curve.sensor), caption, partial(measured_curve, own, found.encoder), True)
            for own in found.sensors
        ]
        pictures = keep(place / "figures", planned, progress)
        manifest = origin(sources, command)
        write_json(place / "manifest.json", manifest)
        document = _review(found, pictures, sources, command, str(manifest["time"]))
        write_page(place / "report.html", document)
        write_pdf(place / "report.pdf", document, paper)


def _review(found: Curves, pictures: Pictures, sources: tuple[Source, ...], command: str, made: str) -> ReviewDocument:
    tone: Tone = "plain" if found.agrees is None else "good" if found.agrees else "bad"
    answers: list[Block] = [Text(f"{sentence(own, found.encoder)}.", tone) for own in found.sensors]
    if batch(found) is not None:
        answers.append(Text(f"{batch(found)}."))
    tables: list[Block] = []
    for own in found.sensors:
        rows: list[list[Cell | str]] = [list(row) for row in order_rows(own)]
        tables.append(table(HEADERS, rows, title=own.curve.sensor))
    method = (
        "Constant, waves and the difference of the directions by least squares, noise taken as independent.",
        "The law of an order is the amplitude that it has over sensors with the data sheet and mounting stated, with "
        "the noise of the fit; too large is what has a chance below 1 % over all orders (Holm).",
    )
    code = made_by(own_version(), source_digest())
    made_with = f"{code}, Python {platform.python_version()}, {made}."
    inputs = boilerplate.inputs([own for own in sources if own.text])
    sections = (
        Section("The answer", "answer", tuple(answers)),
        Section("Curves", "curves", in_rows(pictures.get("curves", ()))),
        Section("Orders", "orders", tuple(tables)),
        Section("Method", "method", (Bullets(method),)),
        inputs,
        boilerplate.cautions(),
        Section("Provenance", "provenance", (Text(made_with), Listing("command", command))),
    )
    title = f"Measured error curves: {found.file.name}"
    return ReviewDocument(title, f"{len(found.sensors)} sensors", title, made[:10], sections)
