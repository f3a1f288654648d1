"""How often the printed 95 % intervals hold the truth: python tests/interval_coverage.py [--repetitions 200] [--arms planar six]

Five invented arms, each sampled again and again from fresh seeds, with 10, 30 and 300 visits. The truth is the mean of many
runs a hundred times as large. Every kind of interval that a result or a comparison prints is looked at. One line per
kind: the share of the intervals that hold the truth, over all repetitions, arms and numbers of visits, and the lowest and
the highest share on one arm at one number of visits.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from manual_tables import printed_on, write_between

import armsim
from armsim.criteria import POSITION_CRITERION, EvaluatedTask, changes_at_task
from armsim.decide.compare import half_widths
from armsim.model.machine import Change
from armsim.requirement.requirement import required_at
from armsim.run_options import RunOptions
from armsim.study import Study

UNITS = 400
VISITS = (10, 30, 300)
TRUTH_RUNS, TRUTH_UNITS = 24, 20_000
EXACT = 1e-9
"""Relative width of an interval that contains no sampling."""
Interval = tuple[float, float] | None
Count = tuple[str, int, int]
START, END = "<!-- coverage -->\n", "<!-- end of coverage -->"

SUMMARY = "{kind: encoder, name: s, measures: rotation, summary: {resolution: %s bit, accuracy: %s, repeatability: %s}}"
DISC = (
    "{kind: encoder, name: d, measures: rotation, signal_periods: 360, interpolation: %s bit, track_radius: 9 mm, "
    "signal: {offset: 2 %%, noise: %s %%}, price: 1}"
)
TAPE = (
    "{kind: encoder, name: t, measures: translation, signal_period: 40 um, interpolation: 6 bit, expansion: 10 ppm/K}"
)


def disc_joint(eccentricity: str, lost: str, noise: str = "0.5", ratio: int = 50) -> str:
    return (
        f"{{encoder: {DISC % (8, noise)}, placement: motor, mounting: {{eccentricity: {eccentricity}}}, "
        f"transmission: {{ratio: {ratio}, lost_motion: {lost}, kinematic_error: "
        "[{per: input-turn, order: 2, amplitude: 25 arcsec}]}, mastering: {std: 12 arcsec, distribution: normal}}"
    )


def output_joint(bits: int, accuracy: str, repeatability: str) -> str:
    return f"{{encoder: {SUMMARY % (bits, accuracy, repeatability)}, placement: output, mastering: 20 arcsec}}"


PLANAR = """
kind: arm
name: planar
kinematics:
  convention: standard-dh
  joints:
    - {name: j1, type: revolute, d: 0 mm, a: 310 mm, alpha: 0 deg, range: [-180 deg, 180 deg]}
    - {name: j2, type: revolute, d: 0 mm, a: 270 mm, alpha: 0 deg, range: [-180 deg, 180 deg]}
"""
SIX = """
kind: arm
name: six
kinematics:
  convention: standard-dh
  joints:
    - {name: j1, type: revolute, d: 360 mm, a: 55 mm, alpha: -90 deg, range: [-180 deg, 180 deg]}
    - {name: j2, type: revolute, d: 0 mm, a: 430 mm, alpha: 0 deg, range: [-180 deg, 180 deg]}
    - {name: j3, type: revolute, d: 0 mm, a: 45 mm, alpha: -90 deg, range: [-180 deg, 180 deg]}
    - {name: j4, type: revolute, d: 395 mm, a: 0 mm, alpha: 90 deg, range: [-180 deg, 180 deg]}
    - {name: j5, type: revolute, d: 0 mm, a: 0 mm, alpha: -90 deg, range: [-180 deg, 180 deg]}
    - {name: j6, type: revolute, d: 95 mm, a: 0 mm, alpha: 0 deg, range: [-180 deg, 180 deg]}
tolerances: {a: 30 um, theta: {std: 20 urad, distribution: normal}}
"""
SEVEN = """
kind: arm
name: seven
kinematics:
  convention: modified-dh
  joints:
    - {name: rail, type: prismatic, theta: 0 deg, a: 0 mm, alpha: -90 deg, range: [0 mm, 900 mm]}
    - {name: j1, type: revolute, d: 280 mm, a: 0 mm, alpha: 90 deg, range: [-180 deg, 180 deg]}
    - {name: j2, type: revolute, d: 0 mm, a: 0 mm, alpha: -90 deg, range: [-180 deg, 180 deg]}
    - {name: j3, type: revolute, d: 350 mm, a: 0 mm, alpha: 90 deg, range: [-180 deg, 180 deg]}
    - {name: j4, type: revolute, d: 0 mm, a: 60 mm, alpha: 90 deg, range: [-180 deg, 180 deg]}
    - {name: j5, type: revolute, d: 330 mm, a: 0 mm, alpha: -90 deg, range: [-180 deg, 180 deg]}
    - {name: j6, type: revolute, d: 0 mm, a: 0 mm, alpha: 90 deg, range: [-180 deg, 180 deg]}
expansion: 17 ppm/K
tolerances: {d: 20 um}
"""
GANTRY = """
kind: arm
name: gantry
kinematics:
  convention: standard-dh
  joints:
    - {name: x, type: prismatic, theta: 90 deg, a: 0 mm, alpha: 90 deg, range: [0 mm, 900 mm]}
    - {name: y, type: prismatic, theta: 90 deg, a: 0 mm, alpha: 90 deg, range: [0 mm, 700 mm]}
    - {name: turn, type: revolute, d: 150 mm, a: 120 mm, alpha: 0 deg, range: [-180 deg, 180 deg]}
tolerances: {alpha: 40 urad}
"""
SCARA = """
kind: arm
name: scara
kinematics:
  convention: standard-dh
  joints:
    - {name: j1, type: revolute, d: 210 mm, a: 240 mm, alpha: 0 deg, range: [-180 deg, 180 deg]}
    - {name: j2, type: revolute, d: 0 mm, a: 190 mm, alpha: 180 deg, range: [-180 deg, 180 deg]}
    - {name: z, type: prismatic, theta: 0 deg, a: 0 mm, alpha: 0 deg, range: [0 mm, 200 mm]}
    - {name: j4, type: revolute, d: 0 mm, a: 15 mm, alpha: 0 deg, range: [-180 deg, 180 deg]}
"""
RAIL = (
    f"{{encoder: {TAPE}, placement: output, mounting: {{abbe_offset: 80 mm, guide_pitch: 60 urad}}, mastering: 4 um}}"
)
TILTED = (
    f"{{encoder: {DISC % (12, '0.05')}, placement: output, mounting: "
    "{disc_tilt: {std: 0.8 deg, distribution: normal}}, mastering: 5 arcsec}"
)
ARMS: dict[str, tuple[str, dict[str, str], list[str], str, str]] = {
    # arm; joints; poses; requirement; the joint that the other design improves, and how
    "planar": (
        PLANAR,
        {
            "j1": output_joint(17, "30 arcsec", "{std: 4 arcsec, distribution: normal}"),
            "j2": disc_joint("40 um", "30 arcsec"),
        },
        [f"[{a} deg, {b} deg]" for a in range(-150, 180, 60) for b in (40, 90)],
        "{position: 115 um, repeatability: 1 mm, yield: 90 %}",
        "j1",
    ),
    "six": (
        SIX,
        {f"j{n}": disc_joint("25 um", f"{8 + 2 * n} arcsec", ratio=90) for n in range(1, 7)},
        [f"[{a} deg, -50 deg, 40 deg, 10 deg, {b} deg, 0 deg]" for a in (0, 40, 80, 120) for b in (30, 60)],
        "{position: 115 um, repeatability: 1 mm, yield: 90 %}",
        "j2",
    ),
    "seven": (
        SEVEN,
        {"rail": RAIL, **{f"j{n}": output_joint(16 + n % 3, "25 arcsec", "5 arcsec") for n in range(1, 7)}},
        [f"[{r} mm, {a} deg, 30 deg, 0 deg, 70 deg, 10 deg, 20 deg]" for r in (100, 500, 800) for a in (0, 60)],
        "{position: 115 um, repeatability: 1 mm, yield: 90 %}",
        "j2",
    ),
    "gantry": (
        GANTRY,
        {"x": RAIL, "y": RAIL, "turn": disc_joint("30 um", "60 arcsec", "1", 20)},
        [f"[{x} mm, {y} mm, 30 deg]" for x in (50, 450, 850) for y in (100, 600)],
        "{position: 48 um, repeatability: 1 mm, yield: 90 %}",
        "turn",
    ),
    "scara": (
        SCARA,
        {"j1": TILTED, "j2": TILTED, "z": RAIL, "j4": output_joint(14, "60 arcsec", "20 arcsec")},
        [f"[{a} deg, {b} deg, 80 mm, 0 deg]" for a in (-60, 10, 80) for b in (30, 100)],
        "{position: 55 um, repeatability: 1 mm, yield: 90 %}",
        "j1",
    ),
}


def study(folder: Path, name: str) -> Study:
    arm, joints, poses, requirement, _ = ARMS[name]
    (folder / f"{name}-arm.yaml").write_text(arm)
    lines = ["kind: scenario", f"name: {name}", f"arm: {name}-arm.yaml", "joints:"]
    lines += [f"  {joint}: {text}" for joint, text in joints.items()]
    if name in ("seven", "gantry"):
        lines.append("environment: {temperature_rise: {std: 2 K, distribution: normal}}")
    named = ", ".join(f"{{name: p{n}, joints: {pose}}}" for n, pose in enumerate(poses))
    pairs = "distances: [[p0, p1], [p1, p2]]"
    lines += [f"requirement: {requirement}", "tasks:", f"  - {{kind: poses, name: t, poses: [{named}], {pairs}}}"]
    lines.append(f"sampling: {{units: {UNITS}, visits: 30, seed: 1}}")
    file = folder / f"{name}.yaml"
    file.write_text("\n".join(lines) + "\n")
    return armsim.load(file)


def other_design(case_study: Study, joint: str) -> Study:
    """The same with half of all errors at one joint."""
    machine = case_study.scenario.machine
    return case_study.with_scenario(name="other", machine=replace(machine, changes=(Change(0.5, joint=joint),)))


def figures(case_study: Study, other: Study, pose_sets: list) -> Iterator[tuple[str, float, Interval]]:
    """Kind, value and interval of everything that is printed with one."""
    result, sampled = case_study.evaluate(pose_sets, RunOptions(1))
    changed, again = other.evaluate(pose_sets, RunOptions(1))
    (task,), (better,) = result.tasks, changed.tasks
    for number, pose in enumerate(task.poses):
        yield f"error.p95 @{number}", pose.error.p95, pose.error.p95_interval
        yield f"error.rms @{number}", pose.error.rms, pose.error.rms_interval
        for path in ("accuracy", "repeatability", "orientation_accuracy", "orientation_repeatability"):
            of = getattr(pose, path)
            yield f"{path}.p50 @{number}", of.p50, of.p50_interval
            yield f"{path}.p95 @{number}", of.p95, of.p95_interval
    yield "summary.p95 (largest over poses)", task.summary.p95, task.summary.p95_interval
    yield "yield", task.summary.yield_.value, task.summary.yield_.interval
    for number, measure in enumerate(task.measures):
        yield f"measure {measure.name}.p50 @{number}", measure.p50, measure.p50_interval
        yield f"measure {measure.name}.p95 @{number}", measure.p95, measure.p95_interval
    accepted = task.acceptance
    yield "test of 30 cycles AP.p95", accepted.accuracy.p95, accepted.accuracy.p95_interval
    yield "test of 30 cycles RP.p95", accepted.repeatability.p95, accepted.repeatability.p95_interval
    yield "test of 30 cycles passing", accepted.passing.value, accepted.passing.interval
    curve = task.yield_curve
    at = int(np.searchsorted(curve.position, case_study.scenario.requirement.position))
    yield "yield curve", curve.share[at], (curve.low[at], curve.high[at])
    sides = [
        EvaluatedTask.from_samples(t, 0, s, pose_sets[0].configurations) for t, s in ((task, sampled), (better, again))
    ]
    for change in changes_at_task(required_at(case_study.scenario.requirement, task.name), *sides):
        at = " (worst pose)" if change.criterion == POSITION_CRITERION.name else ""
        yield f"difference of {change.noun}{at}", *change.change
    wide = half_widths(*sides, RunOptions(1), "")
    shifts = better.column("error.p95") - task.column("error.p95")
    for number, (value, half) in enumerate(zip(shifts.tolist(), wide.tolist(), strict=True)):
        yield f"difference of p95 (at every pose) @{number}", value, (value - half, value + half)


def truth(case_study: Study, other: Study, pose_sets: list) -> dict[str, float]:
    values_by_name = defaultdict(list)
    for seed in range(TRUTH_RUNS):
        plan = {"units": TRUTH_UNITS, "visits": 10, "seed": 10_000 + seed}
        for name, value, _ in figures(case_study.with_plan(**plan), other.with_plan(**plan), pose_sets):
            values_by_name[name].append(value)
    means = {name: float(np.mean(values)) for name, values in values_by_name.items()}
    for name in means:  # the largest of means, not the mean of the largest
        if name.startswith("summary.p95"):
            means[name] = max(value for key, value in means.items() if key.startswith("error.p95 @"))
    return means


def coverage(name: str, repetitions: int) -> list[Count]:
    """How often the intervals of an arm hold the truth: kind, number that do, number of them; a row each number of visits."""
    rows: list[Count] = []
    with tempfile.TemporaryDirectory() as folder:
        small_study = study(Path(folder), name)
        other, pose_sets = other_design(small_study, ARMS[name][4]), small_study.find()
        reference = truth(small_study, other, pose_sets)
        for visits in VISITS:
            count: dict[str, list[int]] = defaultdict(lambda: [0, 0])
            for seed in range(repetitions):
                plan = {"units": UNITS, "visits": visits, "seed": seed}
                for key, value, interval in figures(small_study.with_plan(**plan), other.with_plan(**plan), pose_sets):
                    if interval is None or interval[1] - interval[0] <= EXACT * abs(reference[key]):
                        if interval is not None:  # nothing in it was sampled
                            assert abs(value - reference[key]) <= 2 * EXACT * abs(reference[key]), key
                        continue
                    inside = interval[0] <= reference[key] <= interval[1]
                    kind = count[key.partition(" @")[0]]
                    kind[0] += inside
                    kind[1] += 1
            for kind, (inside, of) in count.items():
                rows.append((kind, inside, of))
                print(f"{name}, {visits} visits: {kind}: {inside / of:.1%} of {of}", flush=True)
    return rows


def table(rows: Iterable[Count], arms: int, repetitions: int) -> str:
    """The table with its size, the day and the machine."""
    by_kind: dict[str, list[tuple[int, int]]] = defaultdict(list)
    for kind, *numbers in rows:
        by_kind[kind].append((numbers[0], numbers[1]))
    head = (
        f"{printed_on()} {repetitions} repetitions of {UNITS} arms on {arms} arms with "
        f"{', '.join(map(str, VISITS[:-1]))} and {VISITS[-1]} visits; lowest and highest on one arm at one number of visits:\n\n"
    )
    text = "| interval | held | lowest | highest | intervals |\n| --- | --- | --- | --- | --- |\n"
    for kind, parts in by_kind.items():
        inside, of = np.sum(parts, axis=0)
        shares = [a / b for a, b in parts]
        text += f"| {kind} | {inside / of:.1%} | {min(shares):.1%} | {max(shares):.1%} | {of} |\n"
    return head + text


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--repetitions", type=int, default=200)
    parser.add_argument("--arms", nargs="*", default=list(ARMS))
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="put the table into the manual")
    arguments = parser.parse_args()
    with ProcessPoolExecutor(arguments.processes) as pool:
        of_arms = list(pool.map(coverage, arguments.arms, [arguments.repetitions] * len(arguments.arms)))
    text = table(itertools.chain.from_iterable(of_arms), len(arguments.arms), arguments.repetitions)
    print(f"\n{text}")
    if arguments.write:
        write_between(START, END, text)


if __name__ == "__main__":
    main()
