"""Review of a selection: the chosen design, why cheaper ones fail, its price and errors."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial

from armsim import figures
from armsim.criteria import required_in_words
from armsim.decide.decision import Decision
from armsim.decide.decision_records import Alternative
from armsim.decide.near_designs import NEAR_PRICE
from armsim.decide.selection import Selection
from armsim.formatting import percent, show
from armsim.report.bill_of_materials import bill_of_materials
from armsim.report.csv_tables import run_tables, write_table
from armsim.report.decision_sentences import answer, changes_in_words, grounds, in_words, of_types
from armsim.report.document import Block, Bullets, Section, Text
from armsim.report.drawing import Planned
from armsim.report.exclusion_tables import exclusions_frame, exclusions_sections, exclusions_tables
from armsim.report.findings import dominance, number_of
from armsim.report.frame import Column, Exact, Frame, lengths, price_column, shares, unitless, words
from armsim.report.gallery import FIGURES, file_name, trade_off_figure
from armsim.report.manifest import Sample
from armsim.report.review import Review, Writer, json_file, result_file, text_file
from armsim.report.robustness_tables import robustness_sections, robustness_tables, selection_frames
from armsim.report.sensitivity_review import sensitivity_figures, sensitivity_section, sensitivity_tables
from armsim.report.trade_off_review import curve_frame, curve_section
from armsim.report.verdict import TONES
from armsim.requirement import Judgement, share_digits
from armsim.requirement.judgement import MOST_STATED
from armsim.scenario import Scenario

MOST_REJECTED = 12
"""Most designs named in the document; selection.json has all."""
AGAIN = {None: "", True: "not resolved there either", False: "fails there too"}
CHANGED = "joints that differ from the choice"
PROVED = "What was proved, and what was judged"


def selection_printout(selection: Selection) -> Iterator[Frame | str]:
    """Printout of a selection: answer, joints, criteria that cheaper designs miss, and what was proved."""
    yield answer(selection)
    title = "the cheapest choice" if selection.design is not None else "the choice that comes closest"
    rows = design_frame(selection)
    without_parts = rows.without("encoder price", "mounting price", "placement price", "one-off costs")
    yield replace(without_parts, title=title, apart=(len(rows) - 1,))
    if selection.refuted:
        yield rejected_frame(selection).head(MOST_REJECTED)
    if selection.equals:
        yield equals_frame(selection)
    if selection.near:
        yield near_frame(selection).head(MOST_REJECTED)
    yield from selection_frames(selection)
    if selection.exclusions:
        yield exclusions_frame(selection.exclusions)
    yield f"{PROVED}:"
    yield from grounds(selection)


def decision_review(decision: Decision, scenario: Scenario, design: str | None) -> Review:
    """Review of a decision. ``design`` is the YAML text of the chosen scenario, None if no design meets the
    requirement.
    """
    result, selection, requirement = decision.result, decision.selection, scenario.requirement
    assert requirement is not None  # held by select
    task = max(result.tasks, key=lambda task: task.summary.at_coverage)
    start = f"{number_of(result, task)}-{file_name(task.name)}"
    files: dict[str, Writer] = {
        "selection.json": json_file(selection.to_dict()),
        "trade-off.json": json_file(decision.curve.to_dict()),
        "sensitivity.json": json_file(decision.sensitivities.to_dict()),
        "results.json": result_file(result),
    }
    if design is not None:
        files["chosen.yaml"] = text_file(design)
        files["bom.csv"] = partial(write_table, table=bill_of_materials(selection).exact)
    refuted = (rejected_frame(selection).head(MOST_REJECTED).table(),) if selection.refuted else ()
    nothing = Text("No cheaper choice had to be sampled: none is admissible, or all are excluded without sampling.")
    return Review(
        f"{scenario.name}: the choice of sensors",
        f"Arm {result.arm}; {Sample.of(result).sizes}",
        f"which is the cheapest set of sensors that keeps {required_in_words(requirement)}?",
        answer(selection),
        TONES[selection.state],
        design_frame(selection).table(),
        (
            Section("The design and its price", "design", tuple(_design(decision))),
            Section(f"What {_rejected_in_words(selection)} miss", "rejected", refuted or (nothing,)),
            Section("Others that meet it for the same price, or little more", "equals", tuple(_equals(selection))),
            *robustness_sections(selection),
            curve_section(decision.curve),
            *exclusions_sections(selection.exclusions),
            sensitivity_section(decision.sensitivities),
        ),
        tuple(_figures(decision)),
        (f"{start}-map", f"{start}-budget", "trade-off"),
        sentences=(dominance(result, task),),
        appendix=(Section(PROVED, "proved", (Bullets(grounds(selection)),)),),
        notes=tuple(dict.fromkeys((*scenario.notes, *result.warnings))),
        model=result,
        sample=Sample.of(result),
        sources=scenario.sources,
        scenario_file=scenario.file,
        files=files,
        tables={
            **run_tables(result),
            **sensitivity_tables(decision.sensitivities),
            "design": design_frame(selection).exact,
            **robustness_tables(selection),
            **({"rejected": rejected_frame(selection).exact} if selection.refuted else {}),
            **near_tables(selection),
            **exclusions_tables(selection.exclusions),
            "trade-off": curve_frame(decision.curve).exact,
        },
    )


def design_frame(selection: Selection) -> Frame:
    """Table of the joints with their sensors, prices and shares of the error, with sums; links have the rest."""
    parts, joints = selection.closest, selection.machine.joints
    prices = {
        "encoder price": [joint.encoders_price for joint in joints],
        "mounting price": [joint.fitting.mounting for joint in joints],
        "placement price": [joint.fitting.placement for joint in joints],
        "one-off costs": [joint.fitting.one_off for joint in joints],
        "price": [joint.price for joint in joints],
    }
    decimals: int | None = 2  # shares of costs are seldom whole
    if not any(prices["one-off costs"]):
        del prices["one-off costs"]
        decimals = None
    return Frame(
        (
            words("joint", [*(part.joint for part in parts), "all"]),
            words("encoder", [*(part.encoder for part in parts), ""]),
            words("mounting", [*(part.mounting for part in parts), ""]),
            words("placement", [*(part.placement_in_words for part in parts), ""]),
            *(unitless(name, [*column, sum(column)], decimals=decimals) for name, column in prices.items()),
            shares("share of the mean square error", [*selection.shares.values(), sum(selection.shares.values())]),
        )
    )


def _design(decision: Decision) -> Iterator[Block]:
    selection, result = decision.selection, decision.result
    yield design_frame(selection).table()
    current, chosen = decision.curve.current_price, selection.machine.price
    before = f"those of the scenario cost {current:g}, with an error of {show(decision.curve.current)}"
    yield Text(f"The sensors of this design cost {chosen:g} cost units{of_types(selection)}; {before}.")
    spent: dict[str, float] = {}
    for part in selection.closest:
        group = selection.machine.arm.group_of(part.joint)
        spent[group] = spent.get(group, 0.0) + part.price
    if len(spent) == len(selection.closest):
        return  # every joint is its own group: the table above has it
    groups = max(result.tasks, key=lambda task: task.summary.at_coverage).summary.groups
    columns = (
        words("group of joints", spent),
        price_column("spent on its sensors", spent.values()),
        shares("share of the mean square error", [groups.get(name, 0.0) for name in spent]),
    )
    yield Frame(columns, "Price and error by group of joints").table()


def equals_frame(selection: Selection) -> Frame:
    """Table of other designs with the same price, the smallest error first."""
    designs = words("design", [in_words(equal.design) for equal in selection.equals])
    title = f"other choices that meet the requirement for {selection.machine.price:g}"
    return Frame((designs, *_figures_of(selection.equals, selection)), title)


def _figures_of(designs: Sequence[Alternative], selection: Selection) -> list[Column]:
    """Columns of error and the poses it was sampled at, of mass if it is stated, of the number of types, and state."""
    masses = [1e3 * design.mass for design in designs]
    total = sum(len(task.table.names) for task in selection.tasks)
    sampled = [f"{design.sampled_poses or total} of {total} poses" for design in designs]
    few = any(design.sampled_poses for design in designs)
    return [
        lengths("error, sampled", [design.at_coverage for design in designs]),
        *([words("visits sampled at", sampled)] if few else []),
        *([unitless("mass [g]", masses, decimals=1)] if any(masses) else []),
        unitless("encoder types", [design.types for design in designs]),
        words("requirement", [design.state for design in designs]),
    ]


def near_frame(selection: Selection) -> Frame:
    """Table of designs that cost little more than the choice, with their differences to it."""
    rows = selection.near
    some = "" if selection.near_complete else ", of those that err least by first order"
    return Frame(
        (
            unitless("price", [row.price for row in rows]),
            words(CHANGED, [changes_in_words(selection.closest, row.design) for row in rows]),
            *_figures_of(rows, selection),
        ),
        f"choices that meet the requirement for at most {percent(NEAR_PRICE)} more{some}",
    )


def near_tables(selection: Selection) -> dict[str, Exact]:
    """Table for a file; none if there are no such designs."""
    return {"near": near_frame(selection).exact} if selection.near else {}


def _equals(selection: Selection) -> Iterator[Block]:
    if selection.equals:
        yield equals_frame(selection).head(MOST_REJECTED).table()
    if selection.near:
        yield near_frame(selection).head(MOST_REJECTED).table()


def rejected_frame(selection: Selection) -> Frame:
    """Table of cheaper designs that were sampled and fail, by how much they miss the criterion they miss most.

    Those that come closest, which were sampled again, are first.
    """
    rows = sorted(selection.refuted, key=lambda row: (row.undecided is None, -row.price))
    judgements = with_digits_by_unit([row.misses[0].judgement for row in rows])
    if selection.design is None:
        designs = words("design", [in_words(row.design) for row in rows])
    else:
        differing = [changes_in_words(selection.closest, row.design) for row in rows]
        designs = words(CHANGED, differing)
    others = [f"; {len(row.misses) - 1} more" if len(row.misses) > 1 else "" for row in rows]
    tasks = [row.misses[0].task for row in rows]
    poses_and_tasks = [
        ", ".join(filter(None, (judgement.where, task))) for judgement, task in zip(judgements, tasks, strict=True)
    ]
    columns = (
        unitless("price", [row.price for row in rows]),
        designs,
        words(
            "criterion that it misses",
            [f"{row.statistic}{other}" for row, other in zip(judgements, others, strict=True)],
        ),
        words("at", poses_and_tasks),
        words("value", [judgement.value_text for judgement in judgements]),
        words("limit", [judgement.limit_text for judgement in judgements]),
        words("misses it by", [judgement.excess for judgement in judgements]),
        unitless("value, SI units", [judgement.value for judgement in judgements], "file"),
        unitless("limit, SI units", [judgement.limit for judgement in judgements], "file"),
        words("arms to resolve it", [_resolving(judgement) for judgement in judgements]),
        words("on a second population", [AGAIN[row.undecided] for row in rows]),
    )
    return Frame(columns, f"what {_rejected_in_words(selection)} miss, those that come closest first")


def _rejected_in_words(selection: Selection) -> str:
    return "other choices" if selection.design is None else "the next cheaper choices"


def with_digits_by_unit(judgements: Sequence[Judgement]) -> list[Judgement]:
    """Judgements with equal decimals where they have the same unit; what misses by far has a unit of its own.

    Parameters
    ----------
    judgements : sequence of Judgement
        Of several designs.

    Returns
    -------
    list of Judgement
    """
    out = list(judgements)
    for unit in {judgement.display_unit.name for judgement in judgements}:
        rows = [n for n, judgement in enumerate(judgements) if judgement.display_unit.name == unit]
        for n, (judgement,) in zip(rows, share_digits([[judgements[n]] for n in rows]), strict=True):
            out[n] = judgement
    return out


def _resolving(judgement: Judgement) -> str:
    """Number of arms that would resolve whether a design misses; empty if that is resolved."""
    if judgement.state != "not resolved":
        return ""
    needed = judgement.units_to_resolve
    return "no number" if needed is None else f"about {needed}" if needed <= MOST_STATED else "more than a million"


def _figures(decision: Decision) -> Iterator[Planned]:
    result = decision.result
    yield Planned("design", "arm", "The sensors and their places.", partial(figures.arm, result))
    for number, task in enumerate(result.tasks, start=1):
        for figure in FIGURES:
            if figure.name in ("map", "budget") and figure.when(result, task):
                name = f"{number}-{file_name(task.name)}-{figure.name}"
                yield Planned("design", name, figure.caption, partial(figure.draw, result, task))
    yield trade_off_figure(decision.curve, "trade-off")
    yield from sensitivity_figures(decision.sensitivities)
