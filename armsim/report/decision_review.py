"""The folder and the review of a decision: the choice, what excludes cheaper ones, what it costs and what it does."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from armsim import figures
from armsim.criteria import required_in_words
from armsim.decide.decision import Decision
from armsim.decide.decision_records import Rejected
from armsim.decide.selection import Selection
from armsim.decide.trade_off import TradeOff
from armsim.formatting import percent, show
from armsim.report import boilerplate
from armsim.report.columns import column
from armsim.report.csv_tables import write_table, write_tables
from armsim.report.decision_sentences import answer, in_words
from armsim.report.document import (
    Block,
    Cell,
    Folded,
    Front,
    ReviewDocument,
    Section,
    Table,
    Text,
    in_rows,
    table,
)
from armsim.report.drawing import Planned, keep
from armsim.report.findings import dominance, kept_in_mind, number_of
from armsim.report.gallery import FIGURES, curve_drawn, file_name
from armsim.report.html import write_page
from armsim.report.output_folder import folder
from armsim.report.pdf import Paper, write_pdf
from armsim.report.pictures import Pictures
from armsim.report.run_folder import manifest_of, write_json
from armsim.report.run_review import curve_in_words
from armsim.report.sensitivity_review import (
    LINES,
    PARTS,
    line_rows,
    part_rows,
    sensitivities_drawn,
    write_sensitivity_tables,
)
from armsim.report.verdict import TONES
from armsim.requirement.requirement import Requirement
from armsim.scenario import Scenario

UM = 1e6
SHOWN = 15
"""Numbers, and shares, that the document names; the tables have all."""
MOST_REJECTED = 12


def write_decision(
    out: Path,
    decision: Decision,
    scenario: Scenario,
    command: str,
    design: str | None,
    paper: Paper = "a4",
    progress: Callable[[str, int, int], None] = lambda what, done, total: None,
    landed: Callable[[Path], None] = lambda place: None,
) -> None:
    """Write everything a decision leaves behind; an earlier one there is replaced at the very end.

    ``design``: the text of the chosen scenario, None where nothing meets the requirement.
    """
    with folder(out, scenario.file, landed) as place:
        result = decision.result
        write_json(place / "selection.json", decision.selection.to_dict())
        write_json(place / "trade-off.json", decision.curve.to_dict())
        write_json(place / "sensitivity.json", decision.sensitivities.to_dict())
        with (place / "results.json").open("wb") as file:
            file.writelines(result.pieces())
        if design is not None:
            (place / "chosen.yaml").write_text(design, encoding="utf-8")
        write_tables(place / "tables", result)
        write_sensitivity_tables(place / "tables", decision.sensitivities)
        header, rows = _design_rows(decision)
        write_table(place / "tables" / "design.csv", list(header), [[cell.text for cell in row] for row in rows])
        write_curve_table(place / "tables", decision.curve)
        pictures = keep(place / "figures", _drawn(decision), progress)
        manifest = manifest_of(result, scenario.sources, command)
        write_json(place / "manifest.json", manifest)
        document = decision_review(decision, scenario, pictures, manifest)
        write_page(place / "report.html", document)
        write_pdf(place / "report.pdf", document, paper)


def write_curve_table(tables: Path, curve: TradeOff) -> None:
    """Every point of a trade-off curve with what every joint is fitted with."""
    points = curve.points
    groups = list(dict.fromkeys(group for point in points for group in point.spending))
    joints = [part.joint for part in points[0].design]
    spent = [f"spent on {group}" for group in groups]
    header = ["price", "first order [um]", "sampled [um]", "pose", *spent, *joints]
    lines: list[list[object]] = []
    for point in points:
        fitted = [f"{part.encoder}, {part.mounting}, {part.placement}" for part in point.design]
        money = [point.spending.get(group, 0.0) for group in groups]
        lines.append([point.price, point.predicted * UM, point.sampled * UM, point.pose, *money, *fitted])
    write_table(tables / "trade-off.csv", header, lines)


def decision_review(
    decision: Decision, scenario: Scenario, pictures: Pictures, manifest: dict[str, Any]
) -> ReviewDocument:
    """The document of a decision."""
    result = decision.result
    sections = (
        Section("The design and its price", "design", tuple(_design(decision, pictures))),
        *_equals(decision.selection),
        Section("Cheaper designs, and where they fail", "rejected", tuple(_rejected(decision.selection.refuted))),
        Section("Price against error", "trade-off", (*in_rows(pictures.get("trade-off", ())), *_curve(decision.curve))),
        Section(
            "What its numbers do", "sensitivity", (*_numbers(decision), *in_rows(pictures.get("recommendations", ())))
        ),
        boilerplate.cautions(),
    )
    appendix = (
        *boilerplate.notes(_notes(decision, scenario)),
        boilerplate.assumptions(result),
        boilerplate.inputs(scenario.sources),
        boilerplate.references(),
        boilerplate.provenance(manifest),
    )
    sizes = f"{result.units} built units × {result.visits} visits, seed {result.seed}"
    title = f"{scenario.name}: the choice of sensors"
    front, date = _front(decision, scenario, pictures), str(manifest["time"])[:10]
    return ReviewDocument(title, f"Arm {result.arm}; {sizes}", title, date, sections, front=front, appendix=appendix)


def _drawn(decision: Decision) -> Iterator[Planned]:
    result = decision.result
    yield Planned("answer", "arm", "The sensors and where they sit.", partial(figures.arm, result))
    for number, task in enumerate(result.tasks, start=1):
        for own in FIGURES:
            if own.name in ("map", "budget") and own.when(result, task):
                name = f"{number}-{file_name(task.name)}-{own.name}"
                yield Planned("answer", name, own.caption, partial(own.draw, result, task))
    curve = curve_drawn(decision.curve)
    yield Planned("trade-off", curve.name, curve.caption, curve.draw)
    yield from sensitivities_drawn(decision.sensitivities)


def _front(decision: Decision, scenario: Scenario, pictures: Pictures) -> Front:
    selection, requirement = decision.selection, scenario.requirement
    assert requirement is not None  # held by select
    task = max(decision.result.tasks, key=lambda own: own.summary.at_coverage)
    own = {picture.name: picture for picture in pictures.get("answer", ())}
    start = f"{number_of(decision.result, task)}-{file_name(task.name)}"
    shown = [own[name] for name in (f"{start}-map", f"{start}-budget") if name in own]
    curve = list(pictures.get("trade-off", ()))[:1]
    return Front(
        _asked(requirement), f"{_first(answer(selection, requirement))}.", TONES[selection.state],
        (dominance(decision.result, task),), _design_table(decision), tuple((*shown, *curve)[:3]), (),
        kept_in_mind(_notes(decision, scenario), len(decision.selection.closest)),
    )  # fmt: skip


def _notes(decision: Decision, scenario: Scenario) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*scenario.notes, *decision.result.warnings)))


def _first(text: str) -> str:
    return text[:1].upper() + text[1:]


def _asked(requirement: Requirement) -> str:
    return (
        f"The question: which is the cheapest set of sensors that keeps {required_in_words(requirement)} at every pose?"
    )


def _design_rows(decision: Decision) -> tuple[tuple[str, ...], list[list[Cell]]]:
    header = (
        "joint",
        "encoder",
        "mounting",
        "placement",
        "encoder price",
        "mounting price",
        "placement price",
        "price",
    )
    rows = []
    for part, joint in zip(decision.selection.closest, decision.selection.machine.joints, strict=True):
        prices = (joint.encoders_price, joint.fitting.mounting, joint.fitting.placement, joint.price)
        words = [Cell(text) for text in (part.joint, part.encoder, part.mounting, part.placement)]
        rows.append([*words, *(Cell(f"{price:g}", price) for price in prices)])
    totals = [sum(row[n].value or 0.0 for row in rows) for n in range(4, 8)]
    rows.append([Cell("all"), Cell(""), Cell(""), Cell(""), *(Cell(f"{total:g}", total) for total in totals)])
    return header, rows


def _design(decision: Decision, pictures: Pictures) -> list[Block]:
    blocks: list[Block] = [_design_table(decision)]
    current, chosen = decision.curve.current_price, decision.selection.machine.price
    before = f"as the scenario has it they cost {current:g} and err by {show(decision.curve.current)}"
    blocks.append(Text(f"The sensors of this design cost {chosen:g} cost units; {before}."))
    groups: dict[str, float] = {}
    for part in decision.selection.closest:
        group = decision.selection.machine.arm.group_of(part.joint)
        groups[group] = groups.get(group, 0.0) + part.price
    shares = max(decision.result.tasks, key=lambda own: own.summary.at_coverage).summary.groups
    cells: list[list[Cell | str]] = [
        [name, Cell(f"{money:g}", money), Cell(percent(shares.get(name, 0.0), 2), shares.get(name, 0.0))]
        for name, money in groups.items()
    ]
    headers = ("group of joints", "spent on its sensors", "share of the mean square error")
    blocks.append(table(headers, cells, title="Money and error, group by group"))
    return [*blocks, *in_rows(pictures.get("answer", ()))]


def _design_table(decision: Decision) -> Table:
    header, rows = _design_rows(decision)
    return table(header, [list(row) for row in rows], words=4)


def _equals(selection: Selection) -> list[Section]:
    """Other designs of the same price, where there are any."""
    if not selection.equals:
        return []
    sizes, cells = column("error, sampled", [own.at_coverage for own in selection.equals])
    rows: list[list[Cell | str]] = [
        [in_words(own.design), cell] for own, cell in zip(selection.equals[:MOST_REJECTED], cells, strict=False)
    ]
    blocks: list[Block] = [table(("design", sizes), rows)]
    if len(selection.equals) > MOST_REJECTED:
        blocks.append(Text(f"{len(selection.equals) - MOST_REJECTED} more stand in selection.json.", "soft"))
    return [Section("Others that meet it for the same price", "equals", tuple(blocks))]


def _rejected(refuted: Sequence[Rejected]) -> list[Block]:
    if not refuted:
        return [Text("None was sampled: nothing cheaper is admissible, or all are excluded by what the answer tells.")]
    close = sorted(refuted, key=lambda row: (row.undecided is None, -row.price))
    rows: list[list[Cell | str]] = []
    for row in close[:MOST_REJECTED]:
        again = {None: "", True: "within its interval on a fresh population", False: "fails there too"}[row.undecided]
        rows.append([Cell(f"{row.price:g}", row.price), in_words(row.design), "; ".join(row.reasons), again])
    blocks: list[Block] = [table(("price", "design", "fails", "sampled once more"), rows, words=4)]
    if len(refuted) > MOST_REJECTED:
        blocks.append(Text(f"{len(refuted) - MOST_REJECTED} more stand in selection.json.", "soft"))
    return blocks


def _curve(curve: TradeOff) -> list[Block]:
    groups = list(dict.fromkeys(group for point in curve.points for group in point.spending))
    sampled, found = column("error, sampled", [point.sampled for point in curve.points])
    predicted, first = column("by first order", [point.predicted for point in curve.points])
    headers = ("design", "price", sampled, predicted, *(f"spent on {group}" for group in groups))
    rows: list[list[Cell | str]] = []
    for n, (point, beaten) in enumerate(zip(curve.points, curve.beaten, strict=True)):
        spent = [Cell(f"{point.spending.get(g, 0.0):g}", point.spending.get(g, 0.0)) for g in groups]
        own = Cell(f"{found[n].text}{' *' if beaten else ''}", found[n].value)
        rows.append([in_words(point.design), Cell(f"{point.price:g}", point.price), own, first[n], *spent])
    blocks: list[Block] = [Text(curve_in_words(curve)), table(headers, rows, title="Every design of the curve")]
    if any(curve.beaten):
        blocks.append(Text("* A cheaper design of the curve errs no more in its sample.", "soft"))
    return blocks


def _numbers(decision: Decision) -> list[Block]:
    found = decision.sensitivities
    text = (
        f"What every number of data sheets, drawings and gears does to the {percent(found.coverage)} quantile at the "
        "worst pose: per unit of it and by a tenth less, sampled with half of the 95 % interval; and to the rms error "
        "over all poses by a tenth less, by first order."
    )
    blocks: list[Block] = [Text(text)]
    for task in found.result.tasks:
        rows: list[list[Cell | str]] = [list(row) for row in line_rows(found, task.name)[:SHOWN]]
        blocks.append(table(LINES, rows, title=task.name))
        parts: list[list[Cell | str]] = [list(row) for row in part_rows(found, task.name)[:SHOWN]]
        blocks.append(Folded(f"{task.name}: shares by joint and cause", (table(PARTS, parts, words=2),)))
    return blocks
