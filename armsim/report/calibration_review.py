"""The review of a calibration study."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial

from armsim import figures
from armsim.calibration.calibration_records import IdentifiedArmRecord
from armsim.decide.calibration_study import Calibrated
from armsim.figures.calibration_figures import arm_values, causes_left, parameters_known, poses_needed
from armsim.formatting import Unit, percent, show, significant
from armsim.model.arm import ArmJoint
from armsim.report import decision_sentences
from armsim.report.comparison_review import design_frames, differences_exact
from armsim.report.document import Block, Bullets, Section, Text
from armsim.report.drawing import Planned
from armsim.report.findings import number_of
from armsim.report.frame import Column, Frame, alike, bare, lengths, quoted, stacked, words
from armsim.report.gallery import file_name
from armsim.report.manifest import Sample
from armsim.report.review import Review, json_file
from armsim.report.verdict import deciding_task
from armsim.sources import Source

FIRST = 3
"""Sentences of the answer on the first page."""
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
    before, after = found.steps[0].left, found.steps[-1].left
    out = [
        f"Measured at {len(found.poses)} poses, {found.visits} visits each: the error that a built arm keeps falls "
        f"from {show(before)} to {show(after)} (rms over arms and poses)"
    ]
    out += [decision_sentences.difference(own, found.comparison.quantile) for own in found.comparison.differences]
    for arm in found.arms:
        certain = [[cell.text for cell in row] for row in value_frame(arm).rows[:2]]
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


def notes(found: Calibrated) -> list[str]:
    """What is to be kept in mind."""
    out = []
    if found.confounded:
        names = [own.name for own in found.confounded]
        more = f" and {len(names) - 6} more" if len(names) > 6 else ""
        kept = "known by the population alone" if found.prior else "left out"
        out.append(f"the poses do not tell apart, {kept}: {', '.join(names[:6])}{more}")
    worse = [own.name for own in found.parameters if 0.0 < own.spread < own.uncertainty]
    if worse:
        more = f" and {len(worse) - 6} more" if len(worse) > 6 else ""
        out.append(
            f"identified worse than the population itself tells: {', '.join(worse[:6])}{more}; leave them out, measure "
            "more poses, or take prior: true"
        )
    if found.uncorrectable:
        some = ", ".join(found.uncorrectable[:4])
        more = f" and {len(found.uncorrectable) - 4} more" if len(found.uncorrectable) > 4 else ""
        out.append(f"the joints cannot correct in every direction at {some}{more}: there more is left than said here")
    after = found.steps[-1].left
    if found.beyond_linear > 0.1 * after:
        out.append(
            f"exact identification differs from its linear form by {show(found.beyond_linear)} rms: uncertainties by "
            "formula are first order"
        )
    return out


def _size(unit: str, value: float) -> str:
    if unit in ("m", "rad"):
        return show(value, "m" if unit == "m" else "rad")
    return f"{significant(value * 1e6)} \N{MICRO SIGN}{unit}"


def _sizes(name: str, units: Sequence[str], values: Sequence[float]) -> Column:
    """A column of parameters of several units, each in its own; a file has SI."""
    return quoted(name, values, [_size(unit, value) for unit, value in zip(units, values, strict=True)])


def parameter_frame(found: Calibrated) -> Frame:
    """How well every parameter is known."""
    rows = found.parameters
    units = [own.unit for own in rows]
    return Frame(
        (
            words("parameter", [own.name for own in rows]),
            words("group", [own.group for own in rows], "file"),
            words("unit", units, "file"),
            _sizes("spread in the population", units, [own.spread for own in rows]),
            _sizes("standard uncertainty", units, [own.uncertainty for own in rows]),
            _sizes("by instrument and visits", units, [own.by_measurement for own in rows]),
            _sizes("over the arms", units, [own.over_population for own in rows]),
            bare("bias", [own.bias for own in rows], "file"),
        ),
        "identified",
    )


def value_frame(arm: IdentifiedArmRecord) -> Frame:
    """Parameters of a measured arm, the largest in uncertainties first."""
    rows = sorted(arm.values, key=lambda own: -abs(own.value) / max(own.uncertainty, 1e-300))
    units = [own.unit for own in rows]
    return Frame(
        (
            words("parameter", [own.name for own in rows]),
            words("group", [own.group for own in rows], "file"),
            words("unit", units, "file"),
            _sizes("value", units, [own.value for own in rows]),
            _sizes("standard uncertainty", units, [own.uncertainty for own in rows]),
            _sizes("spread in the population", units, [own.spread for own in rows]),
        ),
        f"{arm.name}: identified, the most certain first",
    )


def curve_frame(found: Calibrated) -> Frame:
    """Error left against the number of poses."""
    rows = found.curve
    sizes = alike([
        ("chosen", [own.chosen for own in rows], [own.chosen_arms for own in rows]),
        ("at random", [own.random for own in rows], [own.random_sets for own in rows]),
    ])  # fmt: skip
    about = "in brackets 5 to 95 % of arms, and of sets of poses"
    return Frame(
        (bare("poses", [own.poses for own in rows]), *sizes), f"error left against the number of poses; {about}"
    )


def step_frame(found: Calibrated) -> Frame:
    """Error left when one group of parameters after the other is identified."""
    rows = found.steps
    columns = (
        words("identified so far", [GROUPS[own.group] for own in rows]),
        bare("parameters", [own.parameters for own in rows]),
        lengths("error left", [own.left for own in rows]),
    )
    return Frame(columns, "error that a built arm keeps, one group after the other")


def cause_frame(found: Calibrated) -> Frame:
    """Every cause before and after, the largest before first."""
    most = max(max(own.before, own.after) for own in found.causes)
    rows = [own for own in found.causes if max(own.before, own.after) > TINY * most]
    sizes = alike([("before", [own.before for own in rows], None), ("after", [own.after for own in rows], None)])
    return Frame((words("cause", [own.cause for own in rows]), *sizes), "cause by cause")


def confounded_frame(found: Calibrated) -> Frame:
    """Parameters that the poses do not tell apart, and from what."""
    alike_ = [", ".join(name for name, _ in own.alike) for own in found.confounded]
    columns = (
        words("parameter", [own.name for own in found.confounded]),
        words("confounded with", [names or "nothing: the poses do not show it" for names in alike_]),
    )
    about = (
        "Not told apart by these poses, and kept by the population alone."
        if found.prior
        else "Left out, because these poses do not tell it apart."
    )
    return Frame(columns, about)


def pose_frame(found: Calibrated, joints: Sequence[ArmJoint]) -> Frame:
    """Where to measure, in an order of short moves."""
    columns = []
    for n, joint in enumerate(joints):
        unit = Unit("deg", 180.0 / math.pi) if joint.revolute else Unit("mm", 1e3)
        values = tuple(own.joints[n] for own in found.poses)
        columns.append(Column(joint.name, values, None, unit, 2, unit))
    many = f"{len(found.poses)} of {found.candidates} candidates, in an order of short moves"
    return Frame((words("pose", [own.name for own in found.poses]), *columns), many)


def calibration_shown(found: Calibrated) -> Iterator[Frame | str]:
    """For the terminal."""
    for _, frame in design_frames(found.comparison):
        yield replace(frame.without("price"), title=f"{frame.title}: before and after, with 95 % intervals")
    yield step_frame(found)
    yield parameter_frame(found).head(SHOWN)
    for arm in found.arms:
        yield value_frame(arm).head(SHOWN)
    if found.curve:
        yield curve_frame(found)
    yield _observability(found)
    for text in sentences(found):
        yield f"{text}."


def _observability(found: Calibrated) -> str:
    indices = ", ".join(f"{name} {significant(value)}" for name, value in found.observability.items())
    return f"Observability at these poses: {indices}."


def calibration_review(found: Calibrated, measured: Sequence[Source]) -> Review:
    """What is left of the error, at the task that decides."""
    results, scenario = found.comparison.results, found.before.scenario
    before, told = results[0], [f"{text}." for text in sentences(found)]
    frames = design_frames(found.comparison)
    number = number_of(before, deciding_task(before))
    share = percent(found.steps[-1].left / found.steps[0].left) if found.steps[0].left else "–"
    start = f"{number}-{file_name(deciding_task(before).name)}"
    paired: tuple[Block, ...] = (
        *(frame.without("price").table() for _, frame in frames),
        Bullets(tuple(told)),
        Text("The same units, the same random numbers; intervals of 95 %.", "soft"),
    )
    known: list[Block] = [parameter_frame(found).table()]
    known += [confounded_frame(found).table()] if found.confounded else []
    known.append(Text(_observability(found)))
    curve = (curve_frame(found).table(),) if found.curve else ()
    poses = pose_frame(found, scenario.machine.arm.joints)
    return Review(
        f"{found.scenario}: what calibration leaves",
        f"Arm {before.arm}; {found.units} built units, each measured and identified; {share} of the error is left",
        f"what does a calibration of every built arm leave of the errors of {found.scenario}?",
        told[0],
        "strong",
        frames[number - 1][1].without("price").table(),
        (
            Section("The measured arms", "arms", tuple(value_frame(arm).table() for arm in found.arms)),
            Section("Before and after", "maps", paired),
            Section("What is left", "left", (step_frame(found).table(), cause_frame(found).table())),
            Section("What is identified", "identified", tuple(known)),
            Section("Where to measure", "poses", (*curve, poses.table())),
        ),
        tuple(_drawn(found)),
        (f"{start}-after", "causes"),
        sentences=tuple(told[1:FIRST]),
        notes=tuple(f"{text}." for text in notes(found)),
        appendix=(Section("Method", "method", (Bullets(METHOD),)),),
        modelled=before,
        sample=Sample.of(before),
        sources=(*scenario.sources, *measured),
        made_from=scenario.file,
        files={"calibrate.json": json_file(found.to_dict())},
        tables={
            "poses": poses.exact,
            "parameters": parameter_frame(found).exact,
            **({"arms": stacked("arm", [(arm.name, value_frame(arm)) for arm in found.arms])} if found.arms else {}),
            "curve": curve_frame(found).exact,
            "causes": cause_frame(found).exact,
            "differences": differences_exact(found.comparison),
        },
    )


def _drawn(found: Calibrated) -> Iterator[Planned]:
    if found.curve:
        caption = "How many poses, and what choosing them is worth."
        yield Planned("poses", "poses-needed", caption, partial(poses_needed, found))
    yield Planned(
        "left", "causes", "What the calibration removes, and what it leaves.", partial(causes_left, found.causes)
    )
    for number, arm in enumerate(found.arms, start=1):
        caption = "What was found of the measured arm."
        yield Planned("arms", f"arm-{number}-{file_name(arm.name)}", caption, partial(arm_values, arm), True)
    if any(own.spread > 0.0 for own in found.parameters):
        caption = "How well every parameter is known afterwards."
        yield Planned("identified", "parameters", caption, partial(parameters_known, found.parameters), True)
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
