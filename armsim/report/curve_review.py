"""Tables, words and folder of measured error curves."""

from __future__ import annotations

import platform
from collections.abc import Callable
from functools import partial
from pathlib import Path

from armsim.calibration.calibration_records import OrderRecord
from armsim.calibration.curve_analysis import Curves, Measured
from armsim.figures.measured_curve_figures import measured_curve
from armsim.formatting import ARCSECOND, percent, show_interval, show_joint
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

HEADERS = ("order", "amplitude with 95 % interval", "law: half", "law: 95 %", "place in the law", "made by")


def order_rows(sensor: Measured) -> list[tuple[str, ...]]:
    """Rows of `HEADERS`."""
    unit = sensor.unit
    rows: list[tuple[str, ...]] = []
    for order in sensor.orders:
        law = order.law
        beside: tuple[str, ...] = ("–", "–", "–", "nothing that is stated")
        if law is not None:
            place = percent(law.place) + (" !" if law.contradicts else "")
            beside = (show_joint(law.p50, unit), show_joint(law.p95, unit), place, ", ".join(law.causes))
        name = f"{order.order} (found)" if order.false_alarm is not None else str(order.order)
        rows.append((name, _amplitude(order, unit), *beside))
    return rows


def _amplitude(order: OrderRecord, unit: str) -> str:
    return show_interval(order.amplitude, order.interval, unit=ARCSECOND if unit == "rad" else None)


def in_residual(sensor: Measured) -> str:
    """Orders found in the residual, with amplitude and interval; empty where there are none."""
    orders = [f"order {order.order}, {_amplitude(order, sensor.unit)}" for order in sensor.in_residual]
    return f"in the residual of the orders requested: {'; '.join(orders)}" if orders else ""


def aliases(sensor: Measured) -> str:
    """Orders of the data sheet that look like others at the angles measured; empty where there are none."""
    steps = sensor.curve.equal_steps
    where = "these angles" if steps is None else f"{steps} equal steps"
    parts = [
        f"order {order.order} cannot be told from order {' and '.join(f'{alias:g}' for alias in order.aliases)}"
        for order in sensor.orders
        if order.aliases
    ]
    parts += [f"order {alias:g} cannot be told from a constant" for alias in sensor.constant_aliases]
    return f"{', '.join(parts)} at {where}" if parts else ""


def sentence(sensor: Measured, encoder: str | None) -> str:
    """Summary of a sensor: noise, reversal, orders in the residual, aliases, agreement with the law."""
    unit, fit = sensor.unit, sensor.fit
    text = f"{sensor.curve.sensor}: {len(sensor.curve.angle)} points, noise left {show_joint(fit.noise, unit)} rms"
    if fit.reversal == fit.reversal:  # not nan
        text += f", upwards it reads {show_joint(fit.reversal, unit)} more than downwards "
        text += f"(standard uncertainty {show_joint(fit.reversal_uncertainty, unit)})"
    text = "; ".join(part for part in (text, in_residual(sensor), aliases(sensor)) if part)
    if encoder is None:
        return text
    if not sensor.contradicted:
        return f"{text}; every order lies within the law of {encoder} and its mounting"
    orders = ", ".join(map(str, sensor.contradicted))
    return (
        f"{text}; larger than the law of {encoder} and its mounting allows, all orders taken together: order {orders}"
    )


def batch(curves: Curves) -> str | None:
    """What leaving out one sensor after the other tells; None from too few."""
    if curves.leave_one_out is None:
        return None
    far = sum(chance < 0.05 for chance in curves.leave_one_out)
    number = len(curves.leave_one_out)
    expected = f"{0.05 * number:.2g} to be expected"
    return f"By the law of the others, {far} of {number} sensors are as far off as 5 % would be ({expected})"


def write_curves(
    out: Path,
    curves: Curves,
    sources: tuple[Source, ...],
    command: str,
    paper: Paper = "a4",
    progress: Callable[[str, int, int], None] = lambda what, done, total: None,
    landed: Callable[[Path], None] = lambda place: None,
) -> None:
    """Write curve.json, tables, figures and the document; an earlier one there is replaced at the very end."""
    with folder(out, None, landed) as place:
        write_json(place / "curve.json", curves.to_dict())
        (place / "tables").mkdir()
        header = ["sensor", "order", "amplitude [SI]", "95 %, low [SI]", "95 %, high [SI]", "standard uncertainty [SI]",
                  "cosine [SI]", "sine [SI]", "cannot be told from", "false alarm [1]",
                  "law, half [SI]", "law, 95 % [SI]", "place in the law [1]", "contradicts"]  # fmt: skip
        lines: list[list[object]] = []
        for sensor in curves.sensors:
            for order in sensor.orders:
                law = order.law
                beside: list[object] = (
                    ["", "", "", ""] if law is None else [law.p50, law.p95, law.place, law.contradicts]
                )
                alarm = "" if order.false_alarm is None else order.false_alarm
                alias = [" ".join(f"{alias:g}" for alias in order.aliases), alarm]
                sizes = [order.amplitude, *order.interval, order.uncertainty, order.cosine, order.sine]
                lines.append([sensor.curve.sensor, order.order, *sizes, *alias, *beside])
        write_table(place / "tables" / "orders.csv", header, lines)
        caption = "Points, waves fitted to them, what is left, and the orders."
        planned = [
            Planned(
                "curves", file_name(item.curve.sensor), caption, partial(measured_curve, item, curves.encoder), True
            )
            for item in curves.sensors
        ]
        pictures = keep(place / "figures", planned, progress)
        manifest = origin(sources, command)
        write_json(place / "manifest.json", manifest)
        document = _review(curves, pictures, sources, command, str(manifest["time"]))
        write_page(place / "report.html", document)
        write_pdf(place / "report.pdf", document, paper)


def _review(curves: Curves, pictures: Pictures, sources: tuple[Source, ...], command: str, made: str) -> ReviewDocument:
    tone: Tone = "plain" if curves.agrees is None else "good" if curves.agrees else "bad"
    answers: list[Block] = [Text(f"{sentence(sensor, curves.encoder)}.", tone) for sensor in curves.sensors]
    if batch(curves) is not None:
        answers.append(Text(f"{batch(curves)}."))
    tables: list[Block] = []
    for sensor in curves.sensors:
        rows: list[list[Cell | str]] = [list(row) for row in order_rows(sensor)]
        tables.append(table(HEADERS, rows, title=sensor.curve.sensor))
    method = (
        "Constant, waves and the difference of the directions by least squares, noise taken as independent.",
        "Orders that stand out of the residual (Lomb-Scargle; false alarm below 1 % over all orders searched, "
        f"all up to {max(sensor.searched for sensor in curves.sensors)}) are fitted too and are no noise.",
        "Amplitudes are without what the noise adds to their square; their intervals follow from the law of Rice and "
        "begin at 0 where there may be no wave.",
        "The law of an order is the amplitude that the same fit at the same angles gives over sensors with the data "
        "sheet and mounting stated, orders that alias onto it included, with the noise of the fit; too large is what "
        "has a chance below 1 % over all orders (Holm).",
    )
    code = made_by(own_version(), source_digest())
    made_with = f"{code}, Python {platform.python_version()}, {made}."
    inputs = boilerplate.inputs([source for source in sources if source.text])
    sections = (
        Section("The answer", "answer", tuple(answers)),
        Section("Curves", "curves", in_rows(pictures.get("curves", ()))),
        Section("Orders", "orders", tuple(tables)),
        Section("Method", "method", (Bullets(method),)),
        inputs,
        boilerplate.cautions(),
        Section("Provenance", "provenance", (Text(made_with), Listing("command", command))),
    )
    title = f"Measured error curves: {curves.file.name}"
    return ReviewDocument(title, f"{len(curves.sensors)} sensors", title, made[:10], sections)
