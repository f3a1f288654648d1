"""Review of measured tool points."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from armsim.calibration.calibration_records import ArmRecord, ScaleRecord, ScatterRecord, Vector
from armsim.calibration.rescaled_spreads import NOTABLE
from armsim.calibration.verify import Verified
from armsim.figures.measured_arm_figures import cause_changes, expected_map, measured_poses
from armsim.formatting import percent, show, significant
from armsim.report.document import Block, Bullets, Section, Text
from armsim.report.drawing import Planned
from armsim.report.frame import Column, Frame, comparable_lengths, lengths, quoted, shares, stacked, unitless, words
from armsim.report.gallery import file_name
from armsim.report.outlier_sentences import METHOD as METHOD_OF_READINGS
from armsim.report.outlier_sentences import exclusion_note, outlying
from armsim.report.review import Review, json_file
from armsim.scenario import Scenario
from armsim.sources import Source

SHOWN, FIRST, WIDE = 12, 5, 4.0
"""Most rows on screen and page, and on the first page; ratio of interval ends above which a factor is vague."""
METHOD = (
    "The p-value of an arm is its rank among arms simulated through exact kinematics and measured the same way. "
    "All poses: Mahalanobis distance of the mean displacements, under the first-order mean and covariance of "
    "population, visits and instrument. Single poses and single causes (estimate of their coefficients): "
    "likewise, after Holm. Scatter: RP over the median RP of the population, mean over poses. Single readings: "
    "see below. The five tests together, over all arms, raise a false alarm once in a hundred measurements "
    "(Bonferroni).",
    "Percentile: share of simulated arms with a smaller AP or RP. Misfit to the other poses: mean square displacement "
    "of a pose from its prediction by them, over the expected one; 1 is as predicted.",
    "Causes that moved: best linear estimate of the coefficients of the arm, from the measurement and the second "
    "moments of the scenario. A cause that the poses hardly determine is hardly known.",
    "Causes that scatter: factors of the causes of visit life by one scoring step from the readings about their "
    "means. Each is ranked among those of simulated arms, after Holm, and named only where the whole scatter is "
    "too large.",
    "Expected error of an arm that is not as predicted: by spreads estimated from its own readings (scatter of "
    "the visits; causes that stand out, or variance components of all). None is reduced; the remaining "
    "discrepancy scales all by the Birge ratio.",
    METHOD_OF_READINGS,
    "Ratio of estimated to stated spread: variance components of all causes together, by restricted maximum "
    "likelihood, with the stated means. Intervals by profile likelihood, scaled where a distribution is not "
    "normal. Causes that the measurement does not distinguish have a common factor. Single causes: an estimate as "
    "far from 1 raises a false alarm once in a hundred measurements, after Holm.",
)


def sentence(arm: ArmRecord) -> str:
    """Sentence on an arm: outlying readings, compatibility, outlying causes."""
    wrong = outlying(arm.outliers, arm.too_many_outliers, arm.name)
    if not wrong:
        return _verdict(arm)
    without = "" if arm.too_many_outliers else "without it, " if len(arm.outliers) == 1 else "without them, "
    return f"{wrong}; {without}{_verdict(arm)}"


def _verdict(arm: ArmRecord) -> str:
    p_value = significant(arm.p_value, 2)
    if arm.compatible:
        share = percent(arm.p_value, 2)
        return f"{arm.name} is compatible with the prediction: {share} of the population deviate as much or more"
    reasons = []
    if arm.p_value <= arm.level:
        reasons.append(f"the chance that an arm of the population deviates as much is {p_value}")
    if arm.scatter_p_value <= arm.level:
        reasons.append(f"the chance that its visits scatter as much is {significant(arm.scatter_p_value, 2)}")
    if far := [row.name for row in arm.poses if row.significant]:
        verb = "stands out by itself" if len(far) == 1 else "stand out by themselves"
        reasons.append(f"{', '.join(far[:5])} {verb}")
    outlying_causes = [row for row in arm.causes if row.significant]
    named = [f"{row.cause} of {row.owner} ({row.deviations:.2g} standard deviations)" for row in outlying_causes[:3]]
    named += [_visit_cause(row) for row in arm.scatter if row.significant][:3]
    reasons.append(f"most likely {', '.join(named)}" if named else "no single cause stands out")
    return f"{arm.name} is not as predicted: {'; '.join(reasons)}"


def _visit_cause(row: ScatterRecord) -> str:
    """Causes of visit life that scatter too much, and by how much."""
    names = row.causes[0] if len(row.causes) == 1 else f"{row.causes[0]} (or {', '.join(row.causes[1:])})"
    return f"{names} of {row.owner} ({row.factor:.2g} times the stated)"


def scatter_frame(arm: ArmRecord) -> Frame:
    """Table of the causes of visit life, the least likely first."""
    chances = [row.p_value for row in arm.scatter]
    return Frame(
        (
            words("cause", [", ".join(row.causes) for row in arm.scatter]),
            words("joint or link", [row.owner for row in arm.scatter]),
            unitless("ratio of estimated to stated scatter", [row.factor for row in arm.scatter], decimals=2),
            quoted("p-value", chances, [significant(p_value, 2) for p_value in chances]),
            words("stands out", ["yes" if row.significant else "" for row in arm.scatter]),
        ),
        f"{arm.name}: causes that scatter",
    )


def _rescaled_spreads(arm: ArmRecord) -> str:
    """Sentence on the spreads by which errors of an arm that is not as predicted are expected."""
    named = [f"{name} {factor:.2g} times as stated" for name, factor in arm.rescaled_spreads[:SHOWN]]
    named += [f"all others {arm.birge_ratio:.2g} times (Birge ratio)"] if arm.birge_ratio > NOTABLE else []
    listed = f": {', '.join(named)}" if named else ""
    return f"expected errors of {arm.name} use spreads estimated from its own readings{listed}"


def _repeated(arm: ArmRecord) -> bool:
    """Whether any pose was visited more than once, so that it has an RP."""
    return any(row.repeatability is not None for row in arm.poses)


def pose_frame(arm: ArmRecord) -> Frame:
    """Table of the measured poses, the largest deviation first."""
    rows = sorted(arm.poses, key=lambda row: row.p_value)
    chances = [row.p_value for row in rows]
    repeated = (
        lengths("RP", [row.repeatability for row in rows], [row.repeatability_interval for row in rows]),
        shares(
            "percentile of RP", [None if row.repeatability is None else row.repeatability_percentile for row in rows]
        ),
    )
    return Frame(
        (
            words("pose", [row.name for row in rows]),
            unitless("visits", [row.visits for row in rows]),
            lengths("AP", [row.accuracy for row in rows], [row.accuracy_interval for row in rows]),
            shares("percentile of AP", [row.accuracy_percentile for row in rows]),
            *(repeated if _repeated(arm) else ()),
            quoted("p-value", chances, [significant(p_value, 2) for p_value in chances]),
            words("stands out", ["yes" if row.significant else "" for row in rows]),
            unitless("misfit to the other poses", [row.leave_one_out_ratio for row in rows], decimals=2),
        ),
        f"{arm.name}: pose by pose, the least likely first",
    )


def cause_frame(arm: ArmRecord) -> Frame:
    """Table of the causes, the largest estimated change first."""
    rows = arm.causes
    chances = [row.p_value for row in rows]
    return Frame(
        (
            words("cause", [row.cause for row in rows]),
            words("joint or link", [row.owner for row in rows]),
            unitless("moved by, standard deviations", [row.deviations for row in rows], decimals=2),
            shares("determined by the poses", [row.resolved_share for row in rows]),
            quoted("p-value", chances, [significant(p_value, 2) for p_value in chances]),
            words("stands out", ["yes" if row.significant else "" for row in rows]),
        ),
        f"{arm.name}: causes that moved",
    )


def expected_frame(arm: ArmRecord) -> Frame:
    """Table of the expected errors of an arm at every pose, the largest first."""
    rows = sorted(arm.expected, key=lambda row: -row.size)
    sizes = comparable_lengths([("error expected", [row.size for row in rows], None),
                   ("standard deviation after the measurement", [row.uncertainty for row in rows], None),
                   ("standard deviation before", [row.prior_std for row in rows], None)])  # fmt: skip
    axes = [lengths(axis, [row.displacement[n] for row in rows]) for n, axis in enumerate("xyz")]
    columns = (words("pose", [row.name for row in rows]), *sizes, *(replace(row, shown_in="file") for row in axes))
    return Frame(columns, f"{arm.name}: error expected at every pose")


def scale_frame(verified: Verified) -> Frame:
    """Table of causes over several arms, the least likely first; then those taken as stated."""
    rows, no_values = verified.scales, (None,) * len(verified.unresolved)
    names = [row.causes[0] if len(row.causes) == 1 else f"{', '.join(row.causes)} (not distinguished)" for row in rows]
    scales, ends = (*(row.scale for row in rows), *no_values), (*(row.interval for row in rows), *no_values)
    chances = [*(row.p_value for row in rows), *no_values]
    texts = ["–" if p_value is None else significant(p_value, 2) for p_value in chances]
    readings = [*(_reading(row) for row in rows), *("too small to be detected, taken as stated" for _ in no_values)]
    columns = (
        words("cause", [*names, *verified.unresolved]),
        Column("ratio of estimated to stated spread", scales, ends, decimals=2),
        quoted("p-value", chances, texts), words("meaning", readings),
    )  # fmt: skip
    return Frame(columns, "all arms: ratio of estimated to stated spread, cause by cause")


def _reading(row: ScaleRecord) -> str:
    """Sentence on a cause's spread relative to its tolerance."""
    low, high = row.interval
    if row.significant:
        return "spreads more than stated" if row.scale > 1.0 else "spreads less than stated"
    if not low <= 1.0 <= high:
        return "within chance, over all causes"
    return "as stated" if high <= WIDE * low else "not contradicted, poorly known"


def distance_frame(arm: ArmRecord) -> Frame:
    """Table of AD and RD between the poses that a task names."""
    rows = arm.distances
    columns = (
        words("distance", [f"{row.poses[0]} to {row.poses[1]}" for row in rows]),
        *([words("session", [row.session for row in rows])] if any(row.session for row in rows) else []),
        lengths("AD", [row.accuracy for row in rows], [row.accuracy_interval for row in rows]),
        lengths("RD", [row.repeatability for row in rows]),
    )
    return Frame(columns, f"{arm.name}: distances")


def direction_frame(arm: ArmRecord) -> Frame:
    """Table of vAP at poses approached from several directions."""
    rows = arm.directions
    band = comparable_lengths([("5 % of the population", [row.population[0] for row in rows], None),
                  ("95 % of the population", [row.population[2] for row in rows], None)])  # fmt: skip
    columns = (
        words("pose", [row.pose for row in rows]),
        words("from", [", ".join(row.directions) for row in rows]),
        lengths("vAP", [row.variation for row in rows], [row.interval for row in rows]),
        shares("percentile of vAP", [row.percentile for row in rows]),
        *band,
    )
    return Frame(columns, f"{arm.name}: approached from several directions")


def registration_frame(arm: ArmRecord) -> Frame:
    """Table of the fitted positions of instrument and target, session by session."""
    rows = arm.registrations

    def coordinates(values: Vector) -> str:
        return ", ".join(f"{1e3 * value:.2f}" for value in values)

    scales = [row.scale for row in rows]
    columns = (
        *([words("session", [row.session for row in rows])] if any(row.session for row in rows) else []),
        quoted("turned by", [row.angle for row in rows], [f"{math.degrees(row.angle):.3f} deg" for row in rows]),
        words("instrument in the base frame, x, y, z [mm]", [coordinates(row.origin) for row in rows]),
        words("target on the tool, x, y, z [mm]", [coordinates(row.target) for row in rows]),
        *([quoted("lengths too large", scales, [f"{1e6 * scale:.1f} ppm" for scale in scales])] if any(scales) else []),
        lengths("left, rms", [row.rms_residual for row in rows]),
    )
    return Frame(columns, f"{arm.name}: frame and target, fitted to the nominal arm")


def notes(verified: Verified) -> list[str]:
    """Notes of the review."""
    excluded = exclusion_note(verified.excluded)
    coarse = [arm.name for arm in verified.arms if arm.coarse_instrument and _repeated(arm)]
    fitted = [
        f"{arm.name}: frame and target were fitted to the nominal arm, and are taken out of every statistic"
        for arm in verified.arms
        if arm.registrations
    ]
    fitted += [_rescaled_spreads(arm) for arm in verified.arms if not arm.compatible]
    if not coarse:
        return [*excluded, *fitted]
    size = show(verified.instrument)
    scatters = f"the instrument ({size} along each axis) scatters more than the visits are predicted to"
    return [*excluded, *fitted, f"{scatters}: RP is mostly that of the instrument"]


def verification_printout(verified: Verified) -> Iterator[Frame | str]:
    """Printout of a verification."""
    for arm in verified.arms:
        if arm.outliers or arm.too_many_outliers:
            yield f"{sentence(arm)}."
        if arm.registrations:
            yield registration_frame(arm)
        yield pose_frame(arm).head(SHOWN)
        yield cause_frame(arm).head(SHOWN)
        if any(row.significant for row in arm.scatter):
            yield scatter_frame(arm).head(SHOWN)
        yield expected_frame(arm).head(SHOWN)
        if not (arm.outliers or arm.too_many_outliers):
            yield f"{sentence(arm)}."
    if verified.scales or verified.unresolved:
        yield scale_frame(verified)


def verification_review(verified: Verified, scenario: Scenario, measured: Source) -> Review:
    """Review of measured arms, the least compatible arm first."""
    arms = sorted(verified.arms, key=lambda arm: (not arm.outliers and not arm.too_many_outliers, arm.compatible))
    start = f"{1 + list(verified.arms).index(arms[0])}-{file_name(arms[0].name)}"
    poses: list[Block] = []
    cause_blocks: list[Block] = []
    expected: list[Block] = [Text("Mean error expected of this arm, with its remaining standard deviation.", "soft")]
    for arm in verified.arms:
        poses += [registration_frame(arm).table()] if arm.registrations else []
        poses.append(pose_frame(arm).table())
        poses += [distance_frame(arm).table()] if arm.distances else []
        poses += [direction_frame(arm).table()] if arm.directions else []
        cause_blocks.append(cause_frame(arm).head(SHOWN).table())
        cause_blocks += [scatter_frame(arm).head(SHOWN).table()] if arm.scatter else []
        expected.append(expected_frame(arm).head(SHOWN).table())
    if verified.scales or verified.unresolved:
        text = "All arms: ratio of estimated to stated spread of every cause."
        cause_blocks += [Text(text), scale_frame(verified).table()]
    is_one = len(verified.arms) == 1
    which = f"is {arms[0].name} an arm" if is_one else f"are the {len(verified.arms)} measured arms arms"
    simulated = f"{max(arm.simulated for arm in verified.arms)} simulated arms, measured the same way."
    expectations = [f"{start}-{file_name(task)}-expected" for task in list(verified.grids)[:1]]
    return Review(
        f"{verified.scenario}: measured tool points",
        f"{len(verified.arms)} arm{'s' * (not is_one)}, {verified.file}",
        f"{which} of the population that {verified.scenario} predicts?",
        f"{sentence(arms[0])}.",
        "good" if verified.compatible else "bad",
        cause_frame(arms[0]).head(FIRST).table(),
        (
            Section("Pose by pose", "poses", tuple(poses)),
            Section("What moved", "causes", tuple(cause_blocks)),
            Section("Error expected of this arm", "expected", tuple(expected)),
        ),
        tuple(_figures(verified)),
        (f"{start}-poses", f"{start}-causes", *expectations),
        sentences=tuple(f"{sentence(arm)}." for arm in arms[1:]),
        notes=tuple(notes(verified)),
        appendix=(Section("Method", "method", (Bullets((*METHOD, simulated)),)),),
        model=scenario,
        sources=(*scenario.sources, measured),
        files={"verify.json": json_file(verified.to_dict())},
        tables={
            "poses": stacked("arm", [(arm.name, pose_frame(arm)) for arm in verified.arms]),
            "causes": stacked("arm", [(arm.name, cause_frame(arm)) for arm in verified.arms]),
            "scatter": stacked("arm", [(arm.name, scatter_frame(arm)) for arm in verified.arms]),
            "expected": stacked("arm", [(arm.name, expected_frame(arm)) for arm in verified.arms]),
        },
    )


def _figures(verified: Verified) -> Iterator[Planned]:
    for number, arm in enumerate(verified.arms, start=1):
        name = f"{number}-{file_name(arm.name)}"
        draw, caption = partial(measured_poses, arm), "The measured arm against the population."
        yield Planned("poses", f"{name}-poses", caption, draw, True)
        cause_figure = partial(cause_changes, arm.name, arm.causes)
        yield Planned("causes", f"{name}-causes", "Causes, as the measurement moves them.", cause_figure, True)
        for task, (grid, cells) in verified.grids.items():
            caption = "Error expected of this arm, with its remaining standard deviation."
            map_figure = partial(expected_map, arm, task, grid, cells)
            yield Planned("expected", f"{name}-{file_name(task)}-expected", caption, map_figure, True)
