"""Review of a calibration study."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from armsim import figures
from armsim.calibration.calibration_records import IdentifiedArmRecord
from armsim.decide.calibration_study import Calibrated
from armsim.figures.calibration_figures import (
    arm_values,
    chosen_poses,
    parameter_uncertainty,
    poses_needed,
    residual_causes,
)
from armsim.formatting import Unit, percent, show, significant, unit_for
from armsim.report import decision_sentences, outlier_sentences
from armsim.report.comparison_review import design_frames, differences_exact
from armsim.report.document import Block, Bullets, Section, Text
from armsim.report.drawing import Planned
from armsim.report.findings import number_of
from armsim.report.frame import Column, Frame, comparable_lengths, lengths, quoted, stacked, unitless, words
from armsim.report.gallery import file_name
from armsim.report.manifest import Sample
from armsim.report.outlier_sentences import exclusion_note, outlying
from armsim.report.pose_plan_tables import curve_frame, pose_frame
from armsim.report.review import Review, json_file
from armsim.report.session_tables import session_frame
from armsim.report.verdict import deciding_task
from armsim.sources import Source

FIRST = 3
"""Most sentences of the answer on the first page."""
SHOWN = 14
TINY = 1e-3
"""Share of the largest contribution below which a cause is not listed."""
GROUPS = {
    "none": "nothing", "zeros": "zeros", "stiffness": "and stiffness", "output_orders": "and orders per turn",
    "input_orders": "and orders per motor turn", "links": "and links",
}  # fmt: skip
METHOD = (
    "Every simulated arm is measured at the listed poses, through exact kinematics with all of its errors. Every "
    "visit is a new approach, and the scatter of the instrument is added. Gauss-Newton identifies the parameters, "
    "weighted by the scatter of instrument and visits. The identified values correct the axes. The same arms are "
    "then evaluated at the tasks with the same random numbers.",
    "Errors that are not identified remain, and bias the identified parameters. The standard uncertainty by "
    "formula holds both: (H G - T) P (H G - T)^T + H N H^T. H is the linear estimate, G the effect of every cause "
    "at the measured poses, T the part of a cause that the parameters describe; P is the covariance of the "
    "causes, N that of visits and instrument.",
    "Observability indices (O1 Borm and Menq 1991, O2 Driels and Pathre 1990, O3 Nahvi et al. 1994, O4 Nahvi and "
    "Hollerbach 1996) are of the Jacobian in mm per mm, mrad and microrad (or micrometre) per unit of load.",
    "Chosen poses: exchanged one by one with candidates until no exchange improves the choice (Fedorov 1972). "
    "Collisions are not checked: name a task or a file of poses that the cell allows.",
    "The readings of the instrument are taken as independent: no drift, refraction or bending of a stand. The "
    "controller is assumed to correct in full what is identified. Check a calibrated arm at other poses.",
    "Measured arms: chi-square of the residuals of the poses, and of the visits about their means. Its covariance "
    "is that of instrument, visits and causes that are not identified; it is ranked among simulated arms. Both "
    "tests and those of single readings together raise one false alarm in a hundred measurements (Bonferroni).",
    outlier_sentences.METHOD,
    "Poses that were not measured: cross-validation. Blocks of poses that follow each other in the file are "
    "excluded in turn. Their points are compared with the arm that the other poses identify, as the instrument "
    "reads them. Corrected for the poses that each block lacks (Burman 1989). 95 % interval of the logarithm by "
    "the scatter of the blocks, Student's t.",
)


def _visits(calibrated: Calibrated) -> str:
    """Visits of every pose in words; empty if a measurement file states them."""
    if calibrated.arms:
        return ""
    return f", {calibrated.visits} visit{'s' * (calibrated.visits != 1)} each"


def sentences(calibrated: Calibrated) -> list[str]:
    """Sentences on what the calibration changes."""
    before, after = calibrated.steps[0].residual, calibrated.steps[-1].residual
    out = [
        f"Calibrated at {len(calibrated.poses)} poses{_visits(calibrated)}: the repeatable error of a built arm "
        f"falls from {show(before)} to {show(after)} (rms over arms and poses)"
    ]
    out += [decision_sentences.difference(row) for row in calibrated.comparison.differences]
    for arm in calibrated.arms:
        certain = [[cell.text for cell in row] for row in value_frame(arm).rows[:2]]
        named = " and ".join(f"{name} {value} ± {doubt}" for name, value, doubt, _ in certain)
        out.append(
            f"{arm.name}: identified, {named}; the correction removes {show(arm.correction_rms)} (rms over poses), and "
            f"{show(arm.expected_residual)} is expected to remain"
        )
        out.append(f"{arm.name}: {residuals(arm)}")
    for result in calibrated.comparison.results:
        if result.requirement is not None:
            reasons = "; ".join(result.reasons)
            out.append(f"{result.scenario}: requirement {result.state}{f' ({reasons})' if reasons else ''}")
    return out


def residuals(arm: IdentifiedArmRecord) -> str:
    """Distances of measured points from the identified arm, at measured poses and at others."""
    measured = (
        f"its measured points lie {show(arm.residual)} from the identified arm (rms), {show(arm.expected)} expected"
    )
    if arm.held_out is None:
        return f"{measured}; too few poses to estimate it at other poses"
    low, high = (show(end) for end in arm.held_out.interval)
    return (
        f"{measured}; at other poses {show(arm.held_out.residual)} ({low} to {high}), by cross-validation over "
        f"{arm.held_out.blocks} blocks of poses"
    )


def contradictions(calibrated: Calibrated) -> list[str]:
    """Sentences on readings that contradict the expected errors of identified arms; none if compatible."""
    return [_contradiction(arm) for arm in calibrated.arms if arm.fit.contradicts]


def _contradiction(arm: IdentifiedArmRecord) -> str:
    fit = arm.fit
    wrong = outlying(fit.outliers, fit.too_many_outliers, arm.name)
    without = f" is identified without {'it' if len(fit.outliers) == 1 else 'them'}" if fit.outliers else ""
    squares = (
        ("poses", fit.chi_square, fit.degrees_of_freedom, fit.p_value),
        ("visits about their means", fit.scatter_chi_square, fit.scatter_degrees_of_freedom, fit.scatter_p_value),
    )
    misfit = "; ".join(
        f"chi-square of the {criterion} {significant(square)}, {freedom} degrees of freedom, chance {significant(p, 2)}"
        for criterion, square, freedom, p in squares
        if freedom
    )
    named = f": {wrong}; {arm.name}{without}, {misfit}" if without else f": {misfit}{f'; {wrong}' if wrong else ''}"
    return f"the readings of {arm.name} contradict the prediction{named}"


def notes(calibrated: Calibrated) -> list[str]:
    """Notes of the review."""
    out = exclusion_note(calibrated.excluded)
    if calibrated.confounded:
        names = [row.name for row in calibrated.confounded]
        further = f" and {len(names) - 6} more" if len(names) > 6 else ""
        treatment = "determined by the population alone" if calibrated.prior else "left out"
        out.append(f"not distinguished by these poses, {treatment}: {', '.join(names[:6])}{further}")
    worse = [row.name for row in calibrated.parameters if 0.0 < row.spread < row.uncertainty]
    if worse:
        further = f" and {len(worse) - 6} more" if len(worse) > 6 else ""
        out.append(
            f"identified less well than the population already determines: {', '.join(worse[:6])}{further}; exclude "
            "them, measure more poses, or set prior: true"
        )
    if calibrated.uncorrectable:
        some = ", ".join(calibrated.uncorrectable[:4])
        further = f" and {len(calibrated.uncorrectable) - 4} more" if len(calibrated.uncorrectable) > 4 else ""
        out.append(
            f"the joints cannot correct in every direction at {some}{further}: more error remains there than stated"
        )
    after = calibrated.steps[-1].residual
    if calibrated.beyond_linear > 0.1 * after:
        out.append(
            f"exact identification differs from its linear form by {show(calibrated.beyond_linear)} rms: uncertainties "
            "by formula are first order"
        )
    return out


def size_text(unit: str, value: float, display_unit: Unit | None = None) -> str:
    """A value of a parameter with its unit; lengths and angles in the ``display_unit``, if one is given."""
    if unit in ("m", "rad"):
        return show(value, "m" if unit == "m" else "rad", unit=display_unit)
    return f"{significant(value * 1e6)} \N{MICRO SIGN}{unit}"


def _sizes(name: str, units: Sequence[str], values: Sequence[float]) -> Column:
    """Column of parameters of several kinds, all lengths in one unit and all angles in one; SI in files."""
    pairs = list(zip(units, values, strict=True))
    display_units = {
        kind: unit_for([value for unit, value in pairs if unit == kind], "m" if kind == "m" else "rad")
        for kind in ("m", "rad")
    }
    return quoted(name, values, [size_text(unit, value, display_units.get(unit)) for unit, value in pairs])


def parameter_frame(calibrated: Calibrated) -> Frame:
    """Table of the standard deviation of every parameter before and after calibration."""
    rows = calibrated.parameters
    units = [row.unit for row in rows]
    return Frame(
        (
            words("parameter", [row.name for row in rows]),
            words("group", [row.group for row in rows], "file"),
            words("unit", units, "file"),
            _sizes("spread in the population", units, [row.spread for row in rows]),
            _sizes("standard uncertainty", units, [row.uncertainty for row in rows]),
            _sizes("of it by instrument and visits", units, [row.by_measurement for row in rows]),
            _sizes("sampled over arms", units, [row.over_population for row in rows]),
            unitless("bias", [row.bias for row in rows], "file"),
        ),
        "identified",
    )


def value_frame(arm: IdentifiedArmRecord) -> Frame:
    """Table of the identified parameters of a measured arm, the largest relative to its uncertainty first."""
    rows = sorted(arm.values, key=lambda row: -abs(row.value) / max(row.uncertainty, 1e-300))
    units = [row.unit for row in rows]
    return Frame(
        (
            words("parameter", [row.name for row in rows]),
            words("group", [row.group for row in rows], "file"),
            words("unit", units, "file"),
            _sizes("value", units, [row.value for row in rows]),
            _sizes("standard uncertainty", units, [row.uncertainty for row in rows]),
            _sizes("spread in the population", units, [row.spread for row in rows]),
        ),
        f"{arm.name}: identified, the most certain first",
    )


def residual_frame(calibrated: Calibrated) -> Frame:
    """Distances of measured points from the identified arms, at measured poses and at others."""
    rows = calibrated.arms
    others = [None if row.held_out is None else row.held_out.residual for row in rows]
    intervals = [None if row.held_out is None else row.held_out.interval for row in rows]
    sizes = comparable_lengths([
        ("at measured poses", [row.residual for row in rows], None),
        ("expected there", [row.expected for row in rows], None),
        ("at poses not measured", others, intervals),
    ])  # fmt: skip
    return Frame(
        (words("arm", [row.name for row in rows]), unitless("poses", [row.poses for row in rows]), *sizes),
        "distance of measured points from the identified arm, rms; with 95 % interval",
    )


def step_frame(calibrated: Calibrated) -> Frame:
    """Table of the residual error when groups of parameters are identified one after the other."""
    rows = calibrated.steps
    columns = (
        words("identified so far", [GROUPS[row.group] for row in rows]),
        unitless("parameters", [row.parameters for row in rows]),
        lengths("error left", [row.residual for row in rows]),
    )
    return Frame(columns, "repeatable error of a built arm, one group of parameters after the other")


def cause_frame(calibrated: Calibrated) -> Frame:
    """Table of every cause before and after calibration, the largest before first."""
    most = max(max(row.before, row.after) for row in calibrated.causes)
    rows = [row for row in calibrated.causes if max(row.before, row.after) > TINY * most]
    before, after = [row.before for row in rows], [row.after for row in rows]
    sizes = comparable_lengths([("before", before, None), ("after", after, None)])
    return Frame((words("cause", [row.cause for row in rows]), *sizes), "cause by cause")


def confounded_frame(calibrated: Calibrated) -> Frame:
    """Table of parameters that the poses do not distinguish from others, with those others."""
    confounded_with = [", ".join(name for name, _ in row.combination) for row in calibrated.confounded]
    columns = (
        words("parameter", [row.name for row in calibrated.confounded]),
        words("confounded with", [names or "nothing: the poses do not show it" for names in confounded_with]),
    )
    explanation = (
        "Not distinguished by these poses; determined by the population alone."
        if calibrated.prior
        else "Excluded, because these poses do not distinguish it."
    )
    return Frame(columns, explanation)


def calibration_printout(calibrated: Calibrated) -> Iterator[Frame | str]:
    """Printout of a calibration study."""
    for text in contradictions(calibrated):
        yield f"{text}."
    for _, frame in design_frames(calibrated.comparison):
        yield replace(frame.without("price"), title=f"{frame.title}: before and after, with 95 % intervals")
    yield step_frame(calibrated)
    yield parameter_frame(calibrated).head(SHOWN)
    for arm in calibrated.arms:
        yield from (frame.head(SHOWN) for frame in _frames(arm))
    if calibrated.arms:
        yield residual_frame(calibrated)
    if calibrated.curve:
        yield curve_frame(calibrated)
    yield _observability(calibrated)
    for text in sentences(calibrated):
        yield f"{text}."


def _frames(arm: IdentifiedArmRecord) -> list[Frame]:
    """Tables of a measured arm: parameters, frames and targets."""
    return [value_frame(arm), *([session_frame(arm)] if arm.sessions else [])]


def _observability(calibrated: Calibrated) -> str:
    indices = ", ".join(f"{name} {significant(value)}" for name, value in calibrated.observability.items())
    return f"Observability at these poses: {indices}."


def calibration_review(calibrated: Calibrated, measured: Sequence[Source]) -> Review:
    """Review of a calibration study, with the residual error at the deciding task."""
    results, scenario = calibrated.comparison.results, calibrated.before.scenario
    before, lines = results[0], [f"{text}." for text in [*contradictions(calibrated), *sentences(calibrated)]]
    frames = design_frames(calibrated.comparison)
    number = number_of(before, deciding_task(before))
    share = (
        percent(calibrated.steps[-1].residual / calibrated.steps[0].residual) if calibrated.steps[0].residual else "–"
    )
    start = f"{number}-{file_name(deciding_task(before).name)}"
    paired: tuple[Block, ...] = (
        *(frame.without("price").table() for _, frame in frames),
        Bullets(tuple(lines)),
        Text("The same arms, the same random numbers; intervals of 95 %.", "soft"),
    )
    parameter_blocks: list[Block] = [parameter_frame(calibrated).table()]
    parameter_blocks += [confounded_frame(calibrated).table()] if calibrated.confounded else []
    parameter_blocks.append(Text(_observability(calibrated)))
    curve = (curve_frame(calibrated).table(),) if calibrated.curve else ()
    residual = (residual_frame(calibrated).table(),) if calibrated.arms else ()
    poses = pose_frame(calibrated, scenario.machine.arm.joints)
    sessions = [(arm.name, session_frame(arm)) for arm in calibrated.arms if arm.sessions]
    tables = [frame.table() for arm in calibrated.arms for frame in _frames(arm)]
    sections = [
        Section("The measured arms", "arms", (*residual, *tables)),
        Section("Before and after", "maps", paired),
        Section("Residual error", "left", (step_frame(calibrated).table(), cause_frame(calibrated).table())),
        Section("Identified parameters", "identified", tuple(parameter_blocks)),
    ]
    title = "Poses that were measured" if calibrated.arms else "Where to measure"
    poses_section = Section(title, "poses", (*curve, poses.table()))
    sections.insert(0 if calibrated.curve else len(sections), poses_section)
    return Review(
        f"{calibrated.scenario}: residual error after calibration",
        f"Arm {before.arm}; {calibrated.units} built arms, each measured and identified; {share} of the error remains",
        f"how much error of {calibrated.scenario} remains when every built arm is calibrated?",
        lines[0],
        "bad" if calibrated.contradicting else "strong",
        frames[number - 1][1].without("price").table(),
        tuple(sections),
        tuple(_figures(calibrated)),
        ("poses-needed", "chosen-poses") if calibrated.curve else (f"{start}-after", "causes"),
        sentences=tuple(lines[1:FIRST]),
        notes=tuple(f"{text}." for text in notes(calibrated)),
        appendix=(Section("Method", "method", (Bullets(METHOD),)),),
        model=before,
        sample=Sample.of(before),
        sources=(*scenario.sources, *measured),
        scenario_file=scenario.file,
        files={"calibrate.json": json_file(calibrated.to_dict())},
        tables={
            "poses": poses.exact,
            "parameters": parameter_frame(calibrated).exact,
            **(
                {
                    "arms": stacked("arm", [(arm.name, value_frame(arm)) for arm in calibrated.arms]),
                    "residuals": residual_frame(calibrated).exact,
                }
                if calibrated.arms
                else {}
            ),
            **({"sessions": stacked("arm", sessions)} if sessions else {}),
            "curve": curve_frame(calibrated).exact,
            "causes": cause_frame(calibrated).exact,
            "differences": differences_exact(calibrated.comparison),
        },
    )


def _figures(calibrated: Calibrated) -> Iterator[Planned]:
    if calibrated.curve:
        caption = "Residual error against the number of poses, chosen and at random."
        yield Planned("poses", "poses-needed", caption, partial(poses_needed, calibrated))
        caption = "The chosen poses, in the order in which to measure them."
        yield Planned("poses", "chosen-poses", caption, partial(chosen_poses, calibrated))
    yield Planned(
        "left",
        "causes",
        "Error before and after calibration.",
        partial(residual_causes, calibrated.causes),
    )
    for number, arm in enumerate(calibrated.arms, start=1):
        caption = "Parameters identified for the measured arm."
        yield Planned("arms", f"arm-{number}-{file_name(arm.name)}", caption, partial(arm_values, arm), True)
    if any(row.spread > 0.0 for row in calibrated.parameters):
        caption = "Standard uncertainty of every parameter after calibration."
        yield Planned("identified", "parameters", caption, partial(parameter_uncertainty, calibrated.parameters), True)
    before, after = calibrated.comparison.results
    for number, row in enumerate(calibrated.comparison.differences, start=1):
        task = next(task for task in before.tasks if task.name == row.task)
        if not task.is_map:
            continue
        name = f"{number}-{file_name(row.task)}"
        for result, word in ((before, "before"), (after, "after")):
            cells = next(task for task in result.tasks if task.name == row.task)
            draw, caption = partial(figures.error_map, result, cells), f"The {calibrated.comparison.quantile} {word}."
            yield Planned("maps", f"{name}-{word}", caption, draw)
        names = "not calibrated", "calibrated", calibrated.comparison.quantile
        arguments = task, row.values, row.simultaneous_half_widths, *names, float(np.nanmax(np.abs(row.values)))
        yield Planned("maps", f"{name}-difference", "After less before.", partial(figures.difference_map, *arguments))
