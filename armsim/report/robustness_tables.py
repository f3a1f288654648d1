"""Tables on the robustness of a selection: the choice under changed conditions, changes to the present design."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from armsim.decide.decision_records import ChangedAssumption, DecidingCriterion, FittedEncoder, Refit
from armsim.decide.robustness import GEAR_FACTOR, PRICE_CHANGE
from armsim.decide.selection import Selection
from armsim.formatting import percent
from armsim.report.decision_sentences import changes_in_words
from armsim.report.document import Block, Section, Text
from armsim.report.frame import Exact, Frame, unitless, words

ROBUSTNESS, REFITS = (
    "Does the choice hold if prices or tolerances change?",
    "The cheapest change to the design of the scenario",
)
NUMBERS = {0: "none", 1: "one joint", 2: "two joints"}
ALL_TYPES, OTHER_TYPES = "all encoders", "each other encoder"


def selection_frames(selection: Selection) -> Iterator[Frame]:
    """Both tables, as far as they have rows."""
    if selection.robustness:
        yield robustness_frame(selection)
    if selection.refits:
        yield refits_frame(selection.refits)


def robustness_frame(selection: Selection) -> Frame:
    """Table of whether the choice holds, a row per changed condition; types that change nothing share one."""
    return _robustness_frame(_displayed_rows(selection), selection.closest)


def _displayed_rows(selection: Selection) -> list[tuple[str, ChangedAssumption]]:
    """Changed assumptions in words, with their rows; unused types whose price changes nothing share one row."""
    chosen = {sensor.encoder for part in selection.closest for sensor in part.sensors}
    rows: list[tuple[str, ChangedAssumption]] = []
    for row in selection.robustness:
        other = row.unchanged and row.encoder not in ("", *chosen)
        assumption = otherwise(row, OTHER_TYPES if other else row.encoder)
        if not other or assumption not in [text for text, _ in rows]:
            rows.append((assumption, row))
    return rows


def otherwise(row: ChangedAssumption, encoder: str) -> str:
    """Changed condition of a row, in words."""
    if row.factor is None:
        return "temperature rise at its end"
    if row.what == "price":
        sign = "+" if row.factor > 1 else "-"
        return f"{encoder or ALL_TYPES}: price {sign}{percent(abs(row.factor - 1))}"
    return f"tolerances of gears times {row.factor:g}"


def _robustness_frame(rows: Sequence[tuple[str, ChangedAssumption]], choice: Sequence[FittedEncoder]) -> Frame:
    designs = [row for _, row in rows]
    return Frame(
        (
            words("what changes", [assumption for assumption, _ in rows]),
            words("then the choice", [_verdict(row) for row in designs]),
            words("joints that change", [_changes(choice, row.design) for row in designs]),
            unitless("price", [row.design_price for row in designs]),
            unitless("price of the choice", [row.price for row in designs]),
            words("deciding figure", [_figure(row.deciding) for row in designs]),
            words("cheaper ones", [_examined(row.proved) for row in designs], "file"),
        ),
        ROBUSTNESS,
    )


def _verdict(row: ChangedAssumption) -> str:
    if row.design is None:
        return "nothing found that meets it"
    return "holds" if row.unchanged else "changes to"


def _changes(choice: Sequence[FittedEncoder], design: Sequence[FittedEncoder] | None) -> str:
    """Joints at which a design differs from the choice, equal joints together."""
    return "" if design is None else changes_in_words(choice, design)


def _figure(deciding: DecidingCriterion | None) -> str:
    if deciding is None:
        return ""
    judgement = deciding.judgement
    required = f", {judgement.limit_phrase}" if judgement.limit is not None else ""
    return f"{judgement.finding}, {deciding.task}{required}"


def _examined(proved: bool) -> str:
    return "all examined" if proved else "judged by first order"


def refits_frame(refits: Sequence[Refit]) -> Frame:
    """Table of the present design, and of the cheapest that change only a few joints."""
    present = refits[0].design or ()
    return Frame(
        (
            words(
                "joints that change",
                [
                    NUMBERS[row.most_changes] if row.most_changes == 0 else f"at most {NUMBERS[row.most_changes]}"
                    for row in refits
                ],
            ),
            words("sensors then", [_changes(present, row.design) for row in refits]),
            unitless("price", [row.price for row in refits]),
            words("requirement", [_requirement(row) for row in refits]),
            words("deciding figure", [_figure(row.deciding) for row in refits]),
            words("cheaper ones", [_examined(row.proved) for row in refits], "file"),
        ),
        REFITS,
    )


def _requirement(row: Refit) -> str:
    if row.design is None:
        return "no such design"
    return row.state if row.holds or row.most_changes == 0 else f"{row.state}; the closest"


def robustness_sections(selection: Selection) -> tuple[Section, ...]:
    """Sections of a document; none if neither was examined."""
    if not selection.robustness and not selection.refits:
        return ()
    prices = (
        f"Prices of a piece are {percent(PRICE_CHANGE)} higher or lower, tolerances of gears {GEAR_FACTOR:g} times as "
        "large, one thing at a time; a higher price of an encoder that is not chosen changes nothing. By estimates; "
        "where not all cheaper designs could be sampled, the file says that the rest is judged."
    )
    blocks: list[Block] = [frame.table() for frame in selection_frames(selection)]
    return (Section(ROBUSTNESS, "robustness", (*blocks, Text(prices, "soft"))),)


def robustness_tables(selection: Selection) -> dict[str, Exact]:
    """Tables for files, with a row for every type of encoder; none if neither was examined."""
    rows = [(otherwise(row, row.encoder), row) for row in selection.robustness]
    return {
        **({"robustness": _robustness_frame(rows, selection.closest).exact} if rows else {}),
        **({"changes": refits_frame(selection.refits).exact} if selection.refits else {}),
    }
