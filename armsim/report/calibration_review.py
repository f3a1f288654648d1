"""Tables, words and folder of a calibration study."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

from armsim import figures
from armsim.calibration.calibration_records import IdentifiedArmRecord, IdentifiedValueRecord, ParameterRecord
from armsim.decide.calibration_record import CalibrateRecord
from armsim.decide.calibration_study import Calibrated
from armsim.figures.calibration_figures import arm_values, causes_left, parameters_known, poses_needed
from armsim.formatting import percent, show, significant, span
from armsim.report import boilerplate, decision_sentences
from armsim.report.csv_tables import write_table
from armsim.report.document import Block, Bullets, Cell, Front, ReviewDocument, Section, Table, Text, in_rows, table
from armsim.report.drawing import Planned, keep
from armsim.report.findings import kept_in_mind, number_of
from armsim.report.gallery import file_name
from armsim.report.html import write_page
from armsim.report.output_folder import folder
from armsim.report.pdf import Paper, write_pdf
from armsim.report.pictures import Pictures
from armsim.report.run_folder import manifest_of, write_json
from armsim.report.verdict import deciding_task
from armsim.sources import Source

FIRST = 3
"""Sentences of the answer on the first page."""
PARAMETERS = (
    "parameter",
    "spread in the population",
    "standard uncertainty",
    "by instrument and visits",
    "over the arms",
)
CURVE = ("poses", "chosen", "5 to 95 % of arms", "at random", "5 to 95 % of sets")
STEPS = ("identified so far", "parameters", "error left")
CAUSES = ("cause", "before", "after")
VALUES = ("parameter", "value", "standard uncertainty", "spread in the population")
SHOWN = 14
TINY = 1e-3
"""Share of the largest part below which a cause is not listed."""
GROUPS = {
    "none": "nothing", "zeros": "zeros", "stiffness": "and stiffness", "output_orders": "and orders per turn",
    "input_orders": "and orders per motor turn", "links": "and links",
}  # fmt: skip
METHOD = (
    "Every unit of the population is measured at the poses listed: through exact kinematics with all of its errors, "
    "every visit approached anew, the instrument's own scatter added. Gauss-Newton on exact kinematics identifies the "
    "parameters, weighted by the scatter of instrument and visits; the identified values are taken off the errors of "
    "the axes, and the same units are evaluated at the tasks with the same random numbers.",
    "What is not identified stays, and leaks into what is: the standard uncertainty by formula holds both, "
    "(H G - T) P (H G - T)^T + H N H^T with H the linear estimate, G the effect of every cause at the measured poses, "
    "T what of it the parameters are, P the covariance of the causes, N that of visits and instrument.",
    "Observability indices (O1 Borm and Menq 1991, O2 Driels and Pathre 1990, O3 Nahvi et al. 1994, O4 Nahvi and "
    "Hollerbach 1996) are of the Jacobian in mm per mm, mrad and microrad (or micrometre) per unit of load.",
    "Chosen poses: exchanged one by one out of the candidates until none brings more (Fedorov 1972). Collisions are "
    "not known: name a task or a file of poses that the cell allows.",
    "The instrument's readings are independent of each other; drift, refraction and the bending of a stand are not in "
    "it. The controller is taken to correct in full what is identified; a calibrated arm is checked at other poses.",
)


def sentences(found: Calibrated) -> list[str]:
    """What the calibration changes, in words."""
    record = found.record
    before, after = record.steps[0].left, record.steps[-1].left
    out = [
        f"Measured at {len(record.poses)} poses, {record.visits} visits each: the error that a built arm keeps falls "
        f"from {show(before)} to {show(after)} (rms over arms and poses)"
    ]
    out += [decision_sentences.difference(own, found.comparison.quantile) for own in found.comparison.differences]
    for arm in record.arms:
        certain = value_rows(arm)[:2]
        named = " and ".join(f"{name} {value} ± {doubt}" for name, value, doubt, _ in certain)
        out.append(
            f"{arm.name}: identified, {named}; the correction takes {show(arm.removed)} away (rms over poses), of arms "
            f"like it {show(arm.left)} is left; its points lie {show(arm.residual)} from the identified arm, expected "
            f"{show(arm.expected)}"
        )
    for result in found.comparison.results:
        if result.requirement is not None:
            reasons = "; ".join(result.reasons)
            out.append(f"{result.scenario}: requirement {result.state}{f' ({reasons})' if reasons else ''}")
    return out


def notes(record: CalibrateRecord) -> list[str]:
    """What is to be kept in mind."""
    out = []
    if record.confounded:
        names = [own.name for own in record.confounded]
        more = f" and {len(names) - 6} more" if len(names) > 6 else ""
        kept = "known by the population alone" if record.prior else "left out"
        out.append(f"the poses do not tell apart, {kept}: {', '.join(names[:6])}{more}")
    worse = [own.name for own in record.parameters if 0.0 < own.spread < own.uncertainty]
    if worse:
        more = f" and {len(worse) - 6} more" if len(worse) > 6 else ""
        out.append(
            f"identified worse than the population itself tells: {', '.join(worse[:6])}{more}; leave them out, measure "
            "more poses, or take prior: true"
        )
    if record.uncorrectable:
        some = ", ".join(record.uncorrectable[:4])
        more = f" and {len(record.uncorrectable) - 4} more" if len(record.uncorrectable) > 4 else ""
        out.append(f"the joints cannot correct in every direction at {some}{more}: there more is left than said here")
    after = record.steps[-1].left
    if record.beyond_linear > 0.1 * after:
        out.append(
            f"exact identification differs from its linear form by {show(record.beyond_linear)} rms: uncertainties by "
            "formula are first order"
        )
    return out


def parameter_rows(record: CalibrateRecord) -> list[tuple[str, ...]]:
    """Rows of `PARAMETERS`."""
    rows: list[tuple[str, ...]] = []
    for own in record.parameters:
        sizes = own.spread, own.uncertainty, own.by_measurement, own.over_population
        rows.append((own.name, *(_size(own, value) for value in sizes)))
    return rows


def _size(own: ParameterRecord | IdentifiedValueRecord, value: float) -> str:
    if own.unit in ("m", "rad"):
        return show(value, "m" if own.unit == "m" else "rad")
    return f"{significant(value * 1e6)} \N{MICRO SIGN}{own.unit}"


def value_rows(arm: IdentifiedArmRecord) -> list[tuple[str, str, str, str]]:
    """Rows of `VALUES`, the largest in uncertainties first."""
    ranked = sorted(arm.values, key=lambda own: -abs(own.value) / max(own.uncertainty, 1e-300))
    rows = []
    for own in ranked:
        value, doubt, spread = (_size(own, size) for size in (own.value, own.uncertainty, own.spread))
        rows.append((own.name, value, doubt, spread))
    return rows


def curve_rows(record: CalibrateRecord) -> list[tuple[str, ...]]:
    """Rows of `CURVE`."""
    return [
        (str(own.poses), show(own.chosen), span(*own.chosen_arms), show(own.random), span(*own.random_sets))
        for own in record.curve
    ]


def step_rows(record: CalibrateRecord) -> list[tuple[str, ...]]:
    """Rows of `STEPS`."""
    return [(GROUPS[own.group], str(own.parameters), show(own.left)) for own in record.steps]


def cause_rows(record: CalibrateRecord) -> list[tuple[str, ...]]:
    """Rows of `CAUSES`, the largest before first."""
    most = max(max(own.before, own.after) for own in record.causes)
    shown = [own for own in record.causes if max(own.before, own.after) > TINY * most]
    return [(own.cause, *(show(0.0 if v < 1e-9 else v) for v in (own.before, own.after))) for own in shown]


def confounded_rows(record: CalibrateRecord) -> list[tuple[str, str]]:
    """A parameter, and what it is confounded with."""
    rows = []
    for own in record.confounded:
        alike = ", ".join(name for name, _ in own.alike) or "nothing: the poses do not show it"
        rows.append((own.name, alike))
    return rows


def write_calibrated(
    out: Path,
    found: Calibrated,
    measured: tuple[Source, ...],
    command: str,
    paper: Paper = "a4",
    progress: Callable[[str, int, int], None] = lambda what, done, total: None,
    landed: Callable[[Path], None] = lambda place: None,
) -> None:
    """Write calibrate.json, tables, figures and the document; an earlier one there is replaced at the very end."""
    scenario = found.before.scenario
    with folder(out, scenario.file, landed) as place:
        write_json(place / "calibrate.json", found.to_dict())
        (place / "tables").mkdir()
        _write_tables(place / "tables", found)
        pictures = keep(place / "figures", _drawn(found), progress)
        manifest = manifest_of(found.comparison.results[0], [*scenario.sources, *measured], command)
        write_json(place / "manifest.json", manifest)
        document = _review(found, pictures, manifest)
        write_page(place / "report.html", document)
        write_pdf(place / "report.pdf", document, paper)


def _write_tables(place: Path, found: Calibrated) -> None:
    record, joints = found.record, found.before.scenario.machine.arm.joints
    header = ["pose", *(f"{joint.name} [{'deg' if joint.revolute else 'mm'}]" for joint in joints)]
    scales = [180.0 / math.pi if joint.revolute else 1e3 for joint in joints]
    rows = [[own.name, *(v * k for v, k in zip(own.joints, scales, strict=True))] for own in record.poses]
    write_table(place / "poses.csv", header, rows)
    columns = ["parameter", "group", "unit", "spread", "uncertainty", "by instrument and visits", "over arms", "bias"]
    parameters = [
        [own.name, own.group, own.unit, own.spread, own.uncertainty, own.by_measurement, own.over_population, own.bias]
        for own in record.parameters
    ]
    write_table(place / "parameters.csv", columns, parameters)
    if record.arms:
        header = ["arm", "parameter", "group", "unit", "value", "uncertainty", "spread"]
        found_values: list[list[object]] = []
        for arm in record.arms:
            found_values += [[arm.name, o.name, o.group, o.unit, o.value, o.uncertainty, o.spread] for o in arm.values]
        write_table(place / "arms.csv", header, found_values)
    names = ["poses", "chosen [m]", "arms 5 % [m]", "arms 95 % [m]", "random [m]", "sets 5 % [m]", "sets 95 % [m]"]
    curve: list[list[object]] = [
        [own.poses, own.chosen, *own.chosen_arms, own.random, *own.random_sets] for own in record.curve
    ]
    write_table(place / "curve.csv", names, curve)
    write_table(
        place / "causes.csv",
        ["cause", "before [m]", "after [m]"],
        [[o.cause, o.before, o.after] for o in record.causes],
    )
    lines: list[list[object]] = []
    for row in found.comparison.differences:
        for name, value, half in zip(row.poses, row.values.tolist(), row.half_widths.tolist(), strict=True):
            lines.append([row.task, name, value, half])
    write_table(place / "differences.csv", ["task", "pose", "after less before [m]", "half of its interval [m]"], lines)


def _drawn(found: Calibrated) -> Iterator[Planned]:
    record = found.record
    if record.curve:
        caption = "How many poses, and what choosing them is worth."
        yield Planned("poses", "poses-needed", caption, partial(poses_needed, record))
    yield Planned(
        "left", "causes", "What the calibration removes, and what it leaves.", partial(causes_left, record.causes)
    )
    for number, arm in enumerate(record.arms, start=1):
        caption = "What was found of the measured arm."
        yield Planned("arms", f"arm-{number}-{file_name(arm.name)}", caption, partial(arm_values, arm), True)
    if any(own.spread > 0.0 for own in record.parameters):
        caption = "How well every parameter is known afterwards."
        yield Planned("identified", "parameters", caption, partial(parameters_known, record.parameters), True)
    before, after = found.comparison.results
    for number, row in enumerate(found.comparison.differences, start=1):
        task = next(own for own in before.tasks if own.name == row.task)
        if not task.is_map:
            continue
        name = f"{number}-{file_name(row.task)}"
        for result, word in ((before, "before"), (after, "after")):
            own = next(task for task in result.tasks if task.name == row.task)
            yield Planned(
                "maps",
                f"{name}-{word}",
                f"The {found.comparison.quantile} {word}.",
                partial(figures.error_map, result, own),
            )
        shown = task, row.values, row.joint_widths, "not calibrated", "calibrated", found.comparison.quantile
        yield Planned("maps", f"{name}-difference", "After less before.", partial(figures.difference_map, *shown))


def _review(found: Calibrated, pictures: Pictures, manifest: dict[str, object]) -> ReviewDocument:
    record, results = found.record, found.comparison.results
    rows = decision_sentences.summary_rows(found.comparison)
    paired: list[Block] = []
    for task in dict.fromkeys(row["task"] for row in rows):
        own_rows = [row for row in rows if row["task"] == task]
        headers = tuple(name for name in own_rows[0] if name not in ("task", "price"))
        paired.append(table(headers, [[row[name] for name in headers] for row in own_rows], title=task))
    paired += [
        Bullets(tuple(f"{own}." for own in sentences(found))),
        Text("The same units, the same random numbers; intervals of 95 %.", "soft"),
        *in_rows(pictures.get("maps", ())),
    ]
    left: list[Block] = [*in_rows(pictures.get("left", ()))]
    left.append(table(STEPS, [list(row) for row in step_rows(record)], title="one group after the other"))
    left.append(table(CAUSES, [list(row) for row in cause_rows(record)], title="cause by cause"))
    known: list[Block] = [*in_rows(pictures.get("identified", ()))]
    known.append(table(PARAMETERS, [list(row) for row in parameter_rows(record)]))
    if record.confounded:
        about = (
            "Not told apart by these poses, and kept by the population alone."
            if record.prior
            else "Left out, because these poses do not tell it apart."
        )
        known.append(
            table(
                ("parameter", "confounded with"), [list(row) for row in confounded_rows(record)], words=2, title=about
            )
        )
    indices = ", ".join(f"{name} {significant(value)}" for name, value in record.observability.items())
    known.append(Text(f"Observability at these poses: {indices}."))
    arms: list[Block] = [*in_rows(pictures.get("arms", ()))]
    arms += [table(VALUES, [list(row) for row in value_rows(arm)], title=arm.name) for arm in record.arms]
    where: list[Block] = [*in_rows(pictures.get("poses", ()))]
    if record.curve:
        where.append(table(CURVE, [list(row) for row in curve_rows(record)]))
    joints = found.before.scenario.machine.arm.joints
    headers = ("pose", *(f"{joint.name} [{'deg' if joint.revolute else 'mm'}]" for joint in joints))
    listed: list[list[Cell | str]] = []
    for own in record.poses:
        values = [v * (180.0 / math.pi if joint.revolute else 1e3) for v, joint in zip(own.joints, joints, strict=True)]
        listed.append([own.name, *(Cell(f"{value:.2f}", value) for value in values)])
    many = f"{len(record.poses)} of {record.candidates} candidates"
    where.append(table(headers, listed, title=f"{many}, in an order of short moves"))
    sections = (
        *((Section("The measured arms", "arms", tuple(arms)),) if arms else ()),
        Section("Before and after", "maps", tuple(paired)),
        Section("What is left", "left", tuple(left)),
        Section("What is identified", "identified", tuple(known)),
        Section("Where to measure", "poses", tuple(where)),
        boilerplate.cautions(),
    )
    appendix = (
        *boilerplate.notes([f"{own}." for own in notes(record)]),
        Section("Method", "method", (Bullets(METHOD),)),
        boilerplate.inputs(found.before.scenario.sources),
        boilerplate.references(),
        boilerplate.provenance(manifest),
    )
    title = f"{record.scenario}: what calibration leaves"
    share = percent(record.steps[-1].left / record.steps[0].left) if record.steps[0].left else "–"
    subtitle = (
        f"Arm {results[0].arm}; {record.units} built units, each measured and identified; {share} of the error is left"
    )
    front, date = _front(found, pictures, paired), str(manifest["time"])[:10]
    return ReviewDocument(title, subtitle, title, date, sections, front=front, appendix=appendix)


def _front(found: Calibrated, pictures: Pictures, paired: Sequence[Block]) -> Front:
    """What is left of the error, at the task that decides."""
    before = found.comparison.results[0]
    number = number_of(before, deciding_task(before))
    maps = [own for own in pictures.get("maps", ()) if own.name.startswith(f"{number}-")]
    shown = [*(own for own in maps if own.name.endswith("-after")), *pictures.get("left", ())]
    told, designs = [f"{own}." for own in sentences(found)], paired[number - 1]
    assert isinstance(designs, Table)
    return Front(
        f"The question: what does a calibration of every built arm leave of the errors of {found.record.scenario}?",
        told[0], "strong", tuple(told[1:FIRST]), designs, tuple(shown[:3]), (),
        kept_in_mind([f"{own}." for own in notes(found.record)], len(told)),
    )  # fmt: skip
