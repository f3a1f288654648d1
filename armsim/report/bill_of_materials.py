"""Bill of materials of a selection: the sensor of every joint, the number of pieces, and the prices."""

from __future__ import annotations

from collections.abc import Iterator

from armsim.decide.selection import Selection
from armsim.report.frame import Frame, unitless, words

ONE_OFF = "one-off costs"
Row = tuple[str, str, str, str, int, float, float]


def bill_of_materials(selection: Selection) -> Frame:
    """Table of the purchase of all arms: a row per sensor, one per type with one-off costs, and the sum.

    A unit price is that of the sensor at its quantity, a fitting price that of its mounting and placement; a total is
    quantity times both. [cost units]
    """
    joints, types, placements, mountings, quantities, prices, fittings = zip(*_rows(selection), strict=True)
    totals = [n * (price + fitting) for n, price, fitting in zip(quantities, prices, fittings, strict=True)]
    return Frame(
        (
            words("joint", (*joints, "all")),
            words("type", (*types, "")),
            words("placement", (*placements, "")),
            words("mounting class", (*mountings, "")),
            unitless("quantity", (*quantities, None)),
            unitless("unit price", (*prices, None)),
            unitless("fitting price", (*fittings, None)),
            unitless("total", (*totals, sum(totals))),
        ),
        "bill of materials",
    )


def _rows(selection: Selection) -> Iterator[Row]:
    arms = selection.arms
    for part, joint in zip(selection.closest, selection.machine.joints, strict=True):
        motor = joint.motor_encoder
        price = joint.encoders_price - joint.motor_encoder_price
        fitting = joint.fitting.mounting + joint.fitting.placement
        yield joint.name, part.encoder, part.placement, part.mounting, arms, price, fitting
        if motor is not None:
            yield joint.name, motor.name, "motor", "", arms, joint.motor_encoder_price, 0.0
    one_off_costs: dict[str, float] = {}
    for part in selection.closest:
        for sensor in part.sensors:
            one_off_costs[sensor.encoder] = one_off_costs.get(sensor.encoder, 0.0) + arms * sensor.one_off
    for encoder, one_off in one_off_costs.items():
        if one_off:
            yield ONE_OFF, encoder, "", "", 1, one_off, 0.0
