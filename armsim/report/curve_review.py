"""Review of measured error curves of sensors."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from armsim.calibration.calibration_records import OrderRecord
from armsim.calibration.curve_analysis import Curves, MeasuredSensor
from armsim.figures.measured_curve_figures import measured_curve
from armsim.formatting import ARCSECOND, show_interval, show_joint
from armsim.report.document import Block, Bullets, Section, Text, Tone
from armsim.report.drawing import Planned
from armsim.report.frame import Frame, joint_errors, quoted, shares, stacked, unitless, words
from armsim.report.gallery import file_name
from armsim.report.review import Review, json_file
from armsim.sources import Source


def method(curves: Curves) -> tuple[str, ...]:
    """Sentence on how the orders are found and judged."""
    return (
        "Constant, waves and the difference of the directions by least squares, noise taken as independent.",
        "Orders that stand out of the residual are fitted too and do not count as noise. They are found by "
        "Lomb-Scargle: false alarm below 1 % over all orders searched, up to "
        f"{max(sensor.searched for sensor in curves.sensors)}.",
        "Amplitudes are corrected for noise. Their intervals follow from the Rice distribution; they begin at 0 "
        "where there may be no wave.",
        "The expected amplitude of an order comes from simulated sensors with the stated data sheet and mounting, "
        "read at the same angles and fitted alike. Orders that alias onto it and the noise of the fit are "
        "included. An amplitude is too large if its p_value is below 1 % over all orders (Holm).",
    )


def order_frame(sensor: MeasuredSensor) -> Frame:
    """Table of a sensor's orders with their distribution by its data sheet."""
    rows, laws = sensor.orders, [order.law for order in sensor.orders]
    units = [sensor.unit] * len(rows)
    names = [str(row.order) if row.false_alarm is None else f"{row.order} (found)" for row in rows]
    verdicts = ["–" if law is None else "larger than expected" if law.contradicts else "within" for law in laws]
    return Frame(
        (
            quoted("order", [row.order for row in rows], names),
            joint_errors("amplitude", [row.amplitude for row in rows], units, [row.interval for row in rows]),
            replace(joint_errors("standard uncertainty", [row.uncertainty for row in rows], units), shown_in="file"),
            replace(joint_errors("cosine", [row.cosine for row in rows], units), shown_in="file"),
            replace(joint_errors("sine", [row.sine for row in rows], units), shown_in="file"),
            unitless("false alarm", [row.false_alarm for row in rows], "file"),
            words(
                "cannot be distinguished from",
                [", ".join(f"{alias:g}" for alias in row.aliases) for row in rows],
                "file",
            ),
            joint_errors("law: half", [None if law is None else law.p50 for law in laws], units),
            joint_errors("expected: 95 % within", [None if law is None else law.p95 for law in laws], units),
            shares("percentile of the expected", [None if law is None else law.percentile for law in laws]),
            words("verdict", verdicts),
            words("made by", ["nothing that is stated" if law is None else ", ".join(law.causes) for law in laws]),
        ),
        sensor.sensor,
    )


def _amplitude(order: OrderRecord, unit: str) -> str:
    return show_interval(order.amplitude, order.interval, unit=ARCSECOND if unit == "rad" else None)


def in_residual(sensor: MeasuredSensor) -> str:
    """Orders found in the residual, with amplitude and interval; empty if there are none."""
    orders = [f"order {order.order}, {_amplitude(order, sensor.unit)}" for order in sensor.in_residual]
    return f"in the residual of the orders requested: {'; '.join(orders)}" if orders else ""


def aliases(sensor: MeasuredSensor) -> str:
    """Sentence on orders of the data sheet that alias with others at the measured angles; empty if none."""
    steps = sensor.curve.equal_steps
    steps_text = "these angles" if steps is None else f"{steps} equal steps"
    parts = [
        f"order {order.order} looks like order {' and '.join(f'{alias:g}' for alias in order.aliases)}"
        for order in sensor.orders
        if order.aliases
    ]
    parts += [f"order {alias:g} looks like a constant" for alias in sensor.constant_aliases]
    return f"{', '.join(parts)} at {steps_text}" if parts else ""


def sentence(sensor: MeasuredSensor, encoder: str | None) -> str:
    """Summary of a sensor: noise, reversal, orders in the residual, aliases, agreement with the data sheet."""
    unit, fit = sensor.unit, sensor.fit
    text = f"{sensor.sensor}: {sensor.points} readings, residual noise {show_joint(fit.noise, unit)} rms"
    if fit.reversal == fit.reversal:  # not nan
        text += f", upwards it reads {show_joint(fit.reversal, unit)} more than downwards "
        text += f"(standard uncertainty {show_joint(fit.reversal_uncertainty, unit)})"
    text = "; ".join(part for part in (text, in_residual(sensor), aliases(sensor)) if part)
    if encoder is None:
        return text
    if not sensor.contradicted:
        return f"{text}; every order is as {encoder} and its mounting let expect"
    orders = ", ".join(map(str, sensor.contradicted))
    return f"{text}; larger than {encoder} and its mounting let expect, over all orders together: order {orders}"


def batch(curves: Curves) -> str | None:
    """Sentence on leave-one-out predictions over several sensors; None if there are too few."""
    if curves.leave_one_out is None:
        return None
    unusual = sum(p_value < 0.05 for p_value in curves.leave_one_out)
    number = len(curves.leave_one_out)
    expected = f"{0.05 * number:.2g} to be expected"
    return f"{unusual} of {number} sensors lie in the outer 5 % of the distribution of the others ({expected})"


def curve_answer(curves: Curves) -> str:
    """Verdict on the agreement of the sensors with their data sheet."""
    if curves.encoder is None:
        return f"{sentence(curves.sensors[0], None)}."
    unusual = [measured.sensor for measured in curves.sensors if measured.contradicted]
    law = f"the prediction for {curves.encoder} and its mounting"
    if unusual:
        return f"Not as stated: {', '.join(unusual)} of {len(curves.sensors)} contradict {law}."
    return f"As stated: no order of {len(curves.sensors)} sensors contradicts {law}."


def curve_printout(curves: Curves) -> Iterator[Frame | str]:
    """Printout of measured curves."""
    for measured in curves.sensors:
        yield order_frame(measured)
        yield f"{sentence(measured, curves.encoder)}."
    together = batch(curves)
    if together is not None:
        yield f"{together}."


def curve_review(curves: Curves, sources: tuple[Source, ...]) -> Review:
    """Review of measured curves."""
    tone: Tone = "plain" if curves.agrees is None else "good" if curves.agrees else "bad"
    sentences = [f"{sentence(measured, curves.encoder)}." for measured in curves.sensors]
    together = batch(curves)
    sentences += [] if together is None else [f"{together}."]
    frames = [(measured.sensor, order_frame(measured)) for measured in curves.sensors]
    by_agreement = sorted(curves.sensors, key=lambda measured: not measured.contradicted)
    title = f"Measured error curves: {curves.file}"
    number = len(curves.sensors)
    against = "" if curves.encoder is None else f", and is it as stated for {curves.encoder}"
    blocks: list[Block] = [Text(text) for text in sentences]
    return Review(
        title,
        f"{number} sensor{'s' * (number > 1)}",
        f"what error does a sensor of {curves.file} have, order by order{against}?",
        curve_answer(curves),
        tone,
        dict(frames)[by_agreement[0].sensor].table(),
        (
            Section("The sensors", "sensors", tuple(blocks)),
            Section("Curves", "curves", ()),
            Section("Orders", "orders", tuple(frame.table() for _, frame in frames)),
        ),
        [_figures(measured, curves.encoder) for measured in curves.sensors],
        (file_name(by_agreement[0].sensor),),
        appendix=(Section("Method", "method", (Bullets(method(curves)),)),),
        sources=sources,
        files={"curve.json": json_file(curves.to_dict())},
        tables={"orders": stacked("sensor", frames)},
    )


def _figures(measured: MeasuredSensor, encoder: str | None) -> Planned:
    caption = "Readings, fitted waves, residual, and the amplitude of every order."
    return Planned("curves", file_name(measured.sensor), caption, partial(measured_curve, measured, encoder), wide=True)
