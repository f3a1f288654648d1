"""Review of a trade-off curve: price against error."""

from __future__ import annotations

import numpy as np

from armsim.criteria import required_in_words
from armsim.decide.trade_off import TradeOff
from armsim.formatting import percent, show
from armsim.report.decision_sentences import cheapest_in_words, curve_in_words, in_words
from armsim.report.document import Block, Section, Text
from armsim.report.exclusion_tables import exclusions_frame, exclusions_sections, exclusions_tables
from armsim.report.frame import Frame, ShownIn, comparable_lengths, price_column, words
from armsim.report.gallery import trade_off_figure
from armsim.report.manifest import Sample
from armsim.report.review import Review, json_file
from armsim.report.verdict import TONES
from armsim.scenario import Scenario

FIRST, SHOWN = 10, 20
"""Most designs on the first page and in a section, evenly spread; the CSV has all."""
MOST_GROUPS = 3
"""Most groups of joints whose spending a document shows; an arm without groups has one per joint."""


def curve_frame(curve: TradeOff) -> Frame:
    """Table of the designs of the curve, the cheapest first; files also list the sensors of every joint."""
    points = curve.points
    groups = list(dict.fromkeys(group for point in points for group in point.spending))
    spent_in: ShownIn = "everywhere" if len(groups) <= MOST_GROUPS else "file"
    sizes = comparable_lengths([("error, sampled", [point.sampled for point in points], None),
                   ("by first order", [point.predicted for point in points], None)])  # fmt: skip
    fitted = []
    for n, part in enumerate(points[0].design):
        parts = [point.design[n] for point in points]
        fitted.append(words(part.joint, [point.in_words for point in parts], "file"))
    return Frame(
        (
            words("design", [in_words(point.design) for point in points], "display"),
            price_column("price", [point.price for point in points]),
            *sizes,
            *(
                price_column(f"spent on {group}", [point.spending.get(group, 0.0) for point in points], spent_in)
                for group in groups
            ),
            words("worst pose", [point.pose for point in points]),
            words("criteria not kept", [", ".join(point.failed) or "nothing" for point in points]),
            words("dominated by a cheaper one", ["yes" if beaten else "" for beaten in curve.dominated]),
            *fitted,
        ),
        f"{curve.scenario}: Pareto-optimal designs, by first order no cheaper one has a smaller error; "
        f"{percent(curve.coverage)} of errors lie within",
    )


def spread(frame: Frame, most: int) -> Frame:
    """Table of at most ``most`` rows, evenly spread from the first to the last."""
    if len(frame) <= most:
        return frame
    rows = np.unique(np.linspace(0, len(frame) - 1, most).astype(int)).tolist()
    picked = frame.pick(rows)
    return Frame(picked.columns, f"{len(rows)} of {len(frame)} designs of the curve; prices in cost units")


def curve_section(curve: TradeOff) -> Section:
    """Section on the trade-off."""
    designs = spread(curve_frame(curve).without("worst pose", "criteria not kept"), SHOWN)
    blocks: list[Block] = [Text(curve_in_words(curve)), designs.table()]
    if any(curve.dominated):
        blocks.append(Text("Dominated: a cheaper design of the curve has no larger error in its sample.", "soft"))
    return Section("Price against error", "trade-off", tuple(blocks))


def trade_off_answer(curve: TradeOff) -> str:
    """Sentence on the price from which the requirement can be met."""
    text = cheapest_in_words(curve)
    if curve.cheapest is None:
        return f"Not met: {text}."
    limit = f"it asks for {required_in_words(curve.requirement)}"
    doubt = "; more arms would decide" if curve.state == "not resolved" else ""
    return f"{curve.state[:1].upper()}{curve.state[1:]}: {text}; {limit}{doubt}."


def trade_off_printout(curve: TradeOff) -> tuple[Frame | str, ...]:
    """Printout of a trade-off curve."""
    required = required_in_words(curve.requirement)
    now = f"as it is: {show(curve.current)} with sensors for {curve.current_price:g}; required {required}"
    excluded = (exclusions_frame(curve.exclusions),) if curve.exclusions else ()
    return curve_frame(curve).without("design"), now, trade_off_answer(curve), *excluded


def trade_off_review(curve: TradeOff, scenario: Scenario) -> Review:
    """Review of a trade-off curve."""
    plan = scenario.plan
    sample = Sample(plan.seed, plan.units, plan.visits)
    return Review(
        f"{curve.scenario}: price against error",
        f"Arm {scenario.machine.arm.name}; {sample.sizes}",
        f"what does a smaller error of {curve.scenario} cost, and from which price on is the requirement met?",
        trade_off_answer(curve),
        TONES[curve.state],
        spread(curve_frame(curve), FIRST).without("design", "dominated by a cheaper one").table(),
        (curve_section(curve), *exclusions_sections(curve.exclusions)),
        (trade_off_figure(curve, "trade-off"),),
        ("trade-off",),
        sentences=(curve_in_words(curve),),
        notes=scenario.notes,
        model=scenario,
        sample=sample,
        sources=scenario.sources,
        files={"trade-off.json": json_file(curve.to_dict())},
        tables={"trade-off": curve_frame(curve).exact, **exclusions_tables(curve.exclusions)},
    )
