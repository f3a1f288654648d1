"""Tables, words and folder of measured tool points."""

from __future__ import annotations

import platform
from collections.abc import Callable
from functools import partial
from pathlib import Path

from armsim.calibration.calibration_records import ArmRecord, VerifyRecord
from armsim.calibration.verify import Verified
from armsim.figures.measured_arm_figures import expected_map, measured_poses, moved_causes
from armsim.formatting import percent, show, show_interval, significant, span
from armsim.report import boilerplate
from armsim.report.csv_tables import write_table
from armsim.report.document import (
    Block,
    Bullets,
    Cell,
    Front,
    Listing,
    ReviewDocument,
    Section,
    Text,
    Tone,
    in_rows,
    table,
)
from armsim.report.drawing import Planned, keep
from armsim.report.findings import kept_in_mind
from armsim.report.gallery import file_name
from armsim.report.html import write_page
from armsim.report.output_folder import folder
from armsim.report.pdf import Paper, write_pdf
from armsim.report.pictures import Pictures
from armsim.report.run_folder import origin, write_json
from armsim.sources import Source
from armsim.version import made_by, own_version, source_digest

POSES = ("pose", "visits", "AP", "place", "RP", "place", "chance", "left out")
CAUSES = ("cause", "of", "moved by, standard deviations", "known", "chance")
EXPECTED = ("pose", "error expected", "left of it", "of the population")
SCALES = ("cause", "spread over the stated", "95 % interval", "reading")
SHOWN, FIRST, FAR, EVIDENT, SMALL = 12, 5, 2.0, 0.05, 0.01
"""Rows on screen and page, and on the first page; standard deviations from which on a cause is named; share known of it
from which on; chance below which it is named."""
METHOD = (
    "The chance is that of an arm of the population as far off over all poses: distance of Mahalanobis of the mean "
    "displacements under the first-order mean and covariance of population, visits and instrument, ranked among arms "
    "simulated through exact kinematics and measured the same way. Single poses: the same, after Holm. Single "
    "causes: the estimate of their coefficients, likewise. Scatter: the mean over poses of RP over its median of the "
    "population. The four together, over all "
    "arms, raise a false alarm once in a hundred measurements (Bonferroni).",
    "Place: the share of simulated arms whose AP, or RP, is smaller. Left out: mean square displacement of a pose when "
    "foretold from the others, over what is to be expected; 1 is as foretold.",
    "What moved: best linear estimate of the coefficients of the arm, given the measurement and the second moments of "
    "the scenario; of what the poses tell little, little can be said.",
)


def sentence(arm: ArmRecord) -> str:
    """Compatible or not, and what stands out."""
    chance = significant(arm.chance, 2)
    if arm.compatible:
        share = percent(arm.chance, 2)
        return f"{arm.name} is compatible with the prediction: {share} of the population are as far off or more"
    reasons = []
    if arm.chance < SMALL:
        reasons.append(f"the chance of an arm of the population as far off is {chance}")
    if arm.scatter_chance < SMALL:
        reasons.append(f"the chance of one whose visits scatter as much is {significant(arm.scatter_chance, 2)}")
    if far := [own.name for own in arm.poses if own.stands_out]:
        stand = "stands out by itself" if len(far) == 1 else "stand out by themselves"
        reasons.append(f"{', '.join(far[:5])} {stand}")
    moved = [own for own in arm.causes if own.stands_out or (own.deviations > FAR and own.known > EVIDENT)]
    if moved:
        named = [f"{own.cause} of {own.owner} ({own.deviations:.2g} standard deviations)" for own in moved[:3]]
        reasons.append(f"most likely {', '.join(named)}")
    return f"{arm.name} is not as predicted: {'; '.join(reasons)}"


def pose_rows(arm: ArmRecord) -> list[tuple[str, ...]]:
    """Rows of `POSES`, the farthest off first."""
    return [
        (
            own.name + (" !" if own.stands_out else ""), str(own.visits),
            show_interval(own.accuracy, own.accuracy_interval), percent(own.accuracy_place),
            "–" if own.repeatability is None else show_interval(own.repeatability, own.repeatability_interval),
            "–" if own.repeatability is None else percent(own.repeatability_place),
            significant(own.chance, 2), significant(own.left_out, 2),
        )
        for own in sorted(arm.poses, key=lambda own: own.chance)
    ]  # fmt: skip


def cause_rows(arm: ArmRecord) -> list[tuple[str, ...]]:
    """Rows of `CAUSES`, what moved most first."""
    return [
        (own.cause + (" !" if own.stands_out else ""), own.owner, f"{own.deviations:.2f}", percent(own.known, 2),
         significant(own.chance, 2))
        for own in arm.causes
    ]  # fmt: skip


def expected_rows(arm: ArmRecord) -> list[tuple[str, ...]]:
    """Rows of `EXPECTED`, the largest first."""
    ranked = sorted(arm.expected, key=lambda own: -own.size)
    return [(own.name, show(own.size), f"± {show(own.left)}", f"± {show(own.prior)}") for own in ranked]


def scale_rows(record: VerifyRecord) -> list[tuple[str, ...]]:
    """Rows of `SCALES`."""
    rows: list[tuple[str, ...]] = []
    for own in record.scales:
        low, high = own.interval
        reading = "tolerance too tight" if low > 1.0 else "tolerance too wide" if high < 1.0 else "as stated"
        rows.append((own.cause, f"{own.scale:.2f}", f"{low:.2f} to {high:.2f}", reading))
    return rows


def notes(record: VerifyRecord) -> list[str]:
    """What is to be kept in mind."""
    coarse = [arm.name for arm in record.arms if arm.coarse_instrument]
    if not coarse:
        return []
    size = show(record.instrument)
    scatters = f"the instrument ({size} along each axis) scatters more than the visits are predicted to"
    return [f"{scatters}: RP is mostly its own"]


def write_verified(
    out: Path,
    verified: Verified,
    sources: tuple[Source, ...],
    command: str,
    paper: Paper = "a4",
    progress: Callable[[str, int, int], None] = lambda what, done, total: None,
    landed: Callable[[Path], None] = lambda place: None,
) -> None:
    """Write verify.json, tables, figures and the document; an earlier one there is replaced at the very end."""
    record = verified.record
    with folder(out, None, landed) as place:
        write_json(place / "verify.json", verified.to_dict())
        (place / "tables").mkdir()
        poses: list[list[object]] = []
        causes: list[list[object]] = []
        expected: list[list[object]] = []
        for arm in record.arms:
            for own in arm.poses:
                ap = own.accuracy, *(own.accuracy_interval or ("", "")), own.accuracy_place
                rp = own.repeatability, *(own.repeatability_interval or ("", "")), own.repeatability_place
                poses.append([arm.name, own.name, own.visits, *ap, *rp, own.chance, own.stands_out, own.left_out])
            causes += [[arm.name, own.owner, own.cause, own.deviations, own.known, own.chance] for own in arm.causes]
            for at in arm.expected:
                expected.append([arm.name, at.name, *at.displacement, at.size, at.left, at.prior])
        header = ["arm", "pose", "visits"]
        for figure in ("AP", "RP"):
            header += [f"{figure} [m]", f"{figure} low [m]", f"{figure} high [m]", f"{figure} place [1]"]
        header += ["chance [1]", "stands out", "left out [1]"]
        write_table(place / "tables" / "poses.csv", header, poses)
        columns = ["arm", "of", "cause", "moved [standard deviations]", "known [1]", "chance [1]"]
        write_table(place / "tables" / "causes.csv", columns, causes)
        names = ["arm", "pose", "x [m]", "y [m]", "z [m]", "expected [m]", "left [m]", "population [m]"]
        write_table(place / "tables" / "expected.csv", names, expected)
        planned = []
        for number, arm in enumerate(record.arms, start=1):
            name = f"{number}-{file_name(arm.name)}"
            draw, caption = partial(measured_poses, arm), "The measured arm over the population."
            planned.append(Planned("poses", f"{name}-poses", caption, draw, True))
            caption = "What the measurement says of the causes."
            planned.append(
                Planned("causes", f"{name}-causes", caption, partial(moved_causes, arm.name, arm.causes), True)
            )
            for task, (grid, cells) in verified.grids.items():
                caption = "The error expected of this very arm, and how well it is known."
                draw = partial(expected_map, arm, task, grid, cells)
                planned.append(Planned("expected", f"{name}-{file_name(task)}-expected", caption, draw, True))
        pictures = keep(place / "figures", planned, progress)
        manifest = origin(sources, command)
        write_json(place / "manifest.json", manifest)
        document = _review(verified, pictures, sources, command, str(manifest["time"]))
        write_page(place / "report.html", document)
        write_pdf(place / "report.pdf", document, paper)


def _review(
    verified: Verified, pictures: Pictures, sources: tuple[Source, ...], command: str, made: str
) -> ReviewDocument:
    record = verified.record
    measured: list[Block] = [*in_rows(pictures.get("poses", ()))]
    moved: list[Block] = [*in_rows(pictures.get("causes", ()))]
    about = "The mean error expected of this very arm, and the standard deviation left of it."
    expected: list[Block] = [Text(about, "soft"), *in_rows(pictures.get("expected", ()))]
    for arm in record.arms:
        measured.append(table(POSES, [list(row) for row in pose_rows(arm)], title=arm.name))
        if arm.distances:
            rows: list[list[Cell | str]] = []
            for own in arm.distances:
                accuracy = show_interval(own.accuracy, own.accuracy_interval)
                rows.append([f"{own.poses[0]} to {own.poses[1]}", accuracy, show(own.repeatability)])
            measured.append(table(("distance", "AD", "RD"), rows, title=f"{arm.name}: distances"))
        if arm.directions:
            ways: list[list[Cell | str]] = []
            for way in arm.directions:
                variation = show_interval(way.variation, way.interval)
                band = span(way.population[0], way.population[2])
                ways.append([way.pose, ", ".join(way.directions), variation, percent(way.place), band])
            headers = ("pose", "from", "vAP", "place", "90 % of the population")
            measured.append(table(headers, ways, words=2, title=f"{arm.name}: approached from several directions"))
        moved.append(table(CAUSES, [list(row) for row in cause_rows(arm)[:SHOWN]], words=2, title=arm.name))
        expected.append(table(EXPECTED, [list(row) for row in expected_rows(arm)[:SHOWN]], title=arm.name))
    if record.scales:
        text = "Over all arms: the spread that they show of a cause, over that which the scenario states."
        moved += [Text(text), table(SCALES, [list(row) for row in scale_rows(record)])]
    units = max(arm.simulated for arm in record.arms)
    code = made_by(own_version(), source_digest())
    made_with = f"{code}, Python {platform.python_version()}, {made}; {units} simulated arms."
    sections = (
        Section("Pose by pose", "poses", tuple(measured)),
        Section("What moved", "causes", tuple(moved)),
        Section("What to expect of it", "expected", tuple(expected)),
        boilerplate.cautions(),
    )
    appendix = (
        *boilerplate.notes(notes(record)),
        Section("Method", "method", (Bullets(METHOD),)),
        boilerplate.inputs([own for own in sources if own.text]),
        Section("Provenance", "provenance", (Text(made_with), Listing("command", command))),
    )
    title = f"{record.scenario}: measured tool points"
    subtitle, front = f"{len(record.arms)} arm{'s' * (len(record.arms) > 1)}, {record.file}", _front(verified, pictures)
    return ReviewDocument(title, subtitle, title, made[:10], sections, front=front, appendix=appendix)


def _front(verified: Verified, pictures: Pictures) -> Front:
    """Whether the measured arms are as predicted; the arm that is least so comes first."""
    record = verified.record
    arms = sorted(record.arms, key=lambda arm: arm.compatible)
    number = 1 + list(record.arms).index(arms[0])
    tone: Tone = "good" if arms[0].compatible else "bad"
    shown = [
        next((own for own in pictures.get(anchor, ()) if own.name.startswith(f"{number}-")), None)
        for anchor in ("poses", "causes", "expected")
    ]
    one = len(record.arms) == 1
    which = f"is {arms[0].name} an arm" if one else f"are the {len(record.arms)} measured arms arms"
    causes = table(CAUSES, [list(row) for row in cause_rows(arms[0])[:FIRST]], words=2, title=arms[0].name)
    return Front(
        f"The question: {which} of the population that {record.scenario} predicts?", f"{sentence(arms[0])}.", tone,
        tuple(f"{sentence(arm)}." for arm in arms[1:]), causes, tuple(own for own in shown if own is not None), (),
        kept_in_mind(notes(record), FIRST),
    )  # fmt: skip
