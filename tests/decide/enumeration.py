"""The choice held against full enumeration: python tests/decide/enumeration.py [--case heat] [--levels 8] [--seed 5]
                                                 [--units 300] [--coverage 0.99] [--judged]

Every design of five invented cases is sampled by the ordinary study. From these samples the cheapest that meets a
requirement is read off by the rules of the verdict, for several levels of position, repeatability and yield, alone and
together, and `select` is asked the same. One line a level: prices by the enumeration and by `select`, and one of

    ok         the same price, and of the designs of that price that hold the one of the smallest error
    NOT-LEAST  the same price, another design
    WRONG      anything else, also no choice at all where designs hold

With `--judged` what is left is not looked at in the end, as in a catalogue too large for that.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from armsim.decide import select, trade_off
from armsim.decide.option_moments import fixed_moments, moments_of_options, shared_terms
from armsim.decide.program import Choice, Program
from armsim.decide.search import Search
from armsim.decide.selection import Selection
from armsim.documents.load import load_options
from armsim.model.joint_options import Option, Options
from armsim.requirement.requirement import Requirement
from armsim.run_options import RunOptions
from armsim.sampling.first_order import linearise
from armsim.study import Study

CENT = 1e-6
LOOSE = 1.0
"""A position that every design keeps. [m]"""

# Tables: rows end with a semicolon, lengths in mm, angles in deg. links: name, kind, d or theta, a, alpha; fitted: what
# stands beside the encoder of each joint; encoders: kind, name, price, accuracy and repeatability in um or arcsec (~ of
# a normal law), what else stands beside them | and in the catalogue.
GEAR = "mastering: %s arcsec, transmission: {ratio: 60, lost_motion: %s arcsec, "
GEARED = GEAR + "kinematic_error: [{per: output-turn, order: 1, amplitude: %s arcsec}]};"
BENDING = GEAR % (5, 4) + "stiffness: %s N*m/mrad, stiffness_tolerance: 8 %%};"
CASES: dict[str, dict[str, str]] = {
    # slides along y and z, an arm between them: links, scales and drifts grow with one heat
    "heat": {
        "links": "y slide 0 0 90; j1 turn 0 320 0; j2 turn 0 240 0; z slide 0 60 0",
        "fitted": "mastering: 3 um" + 2 * "; mastering: 2 arcsec" + "; mastering: 1 um",
        "poses": "700 0 20 100; 700 170 30 400; 100 -80 60 700; 600 -60 -90 50; 400 90 140 300",
        "encoders": "scale grown 30 2 0.3 expansion: 22 ppm/K; scale steel 16 4 0.5 expansion: 11 ppm/K;"
        "scale glass 24 3 0.3 expansion: 8 ppm/K; scale still 41 1.5 0.2;"
        "disc ahead 15 4 0.5 drift: {limit: 1.4 arcsec/K, distribution: fixed};"
        "disc behind 19 3 0.5 drift: {limit: 0.6 arcsec/K, distribution: fixed};"
        "disc either 23 2.5 0.4 drift: 1.3 arcsec/K; disc steady 38 2 0.3 drift: 0.1 arcsec/K",
        "catalogue": "placements: {output: 0}",
        "arm": "expansion: 22 ppm/K",
        "scenario": "environment: {temperature_rise: {std: 3 K, distribution: normal}}",
    },
    # lost motion behind motors, noise on outputs: RP of 1.2 to 2.7 times the rms of the visits
    "visits": {
        "links": "j1 turn 100 260 0; j2 turn 0 260 0; j3 turn 0 90 90; j4 turn 60 40 0",
        "fitted": GEARED % (4, 14, 9) + GEARED % (4, 26, 12) + GEARED % (8, 30, 20) + GEARED % (12, 60, 30),
        "poses": "0 0 0 0; 20 90 -40 30; -50 150 20 -80; 100 -60 80 60; 10 60 90 10; -120 -170 10 90",
        "encoders": "disc coarse 11 12 ~7; disc fine 27 8 ~2",
        "catalogue": "placements: {motor: 0, output: 9}",
    },
    # stock, mass and types leave 1312 of 2048 designs
    "limits": {
        "links": "j1 turn 250 30 -90; j2 turn 0 300 0; j3 turn 0 20 -90; j4 turn 260 0 90; j5 turn 40 30 0",
        "fitted": "".join(GEARED % (5 + n, 6 + 3 * n, 8 + 4 * n) for n in range(5)),
        "poses": "0 0 0 20 40; 40 -60 70 20 40; -90 -30 60 20 40; 150 -100 20 20 40",
        "encoders": "disc small 9 20 ~4 | mass: 0.01 kg, diameter: 15 mm;"
        "disc quiet 22 14 ~1 | mass: 0.03 kg, diameter: 35 mm;"
        "disc middle 17 11 ~2 | mass: 0.02 kg, diameter: 25 mm, stock: 3;"
        "disc large 34 5 ~1 | mass: 0.05 kg, diameter: 45 mm, stock: 2",
        "catalogue": "placements: {motor: 0, output: 8}\nlimits: {types: 3, mass: 0.16 kg, joints: "
        "{j3: {placements: [output]}, j4: {placements: [output]}, j5: {placements: [output], diameter: 30 mm}}}",
        "sampling": "{units: 200, visits: 4, seed: 8}",
    },
    # a SCARA: the last joint turns the tool and does not move it
    "scara": {
        "links": "j1 turn 300 320 0; j2 turn 0 280 180; z slide 0 0 0; j4 turn 60 0 0",
        "fitted": GEARED % (3, 8, 6) + GEARED % (3, 10, 8) + "mastering: 2 um; " + GEARED % (6, 20, 12),
        "poses": "0 40 30 0; 60 -70 80 90; -100 120 20 -120; 20 10 150 200",
        "encoders": "disc coarse 8 24 ~6; disc middle 15 11 ~3; disc quiet 19 16 ~1; disc fine 33 4 ~0.8;"
        "scale plain 10 3 0.5",
        "catalogue": "placements: {motor: 0, output: 7}",
    },
    # joints that take the same encoder, two encoders that do not go together, one type a group
    "tied": {
        "links": "j1 turn 250 30 -90; j2 turn 0 300 0; j3 turn 0 20 -90; j4 turn 260 0 90; j5 turn 40 30 0",
        "fitted": "".join(GEARED % (5 + n, 6 + 3 * n, 8 + 4 * n) for n in range(5)),
        "poses": "0 0 0 20 40; 40 -60 70 20 40; -90 -30 60 20 40; 150 -100 20 20 40",
        "encoders": "disc small 9 20 ~4; disc quiet 22 14 ~1; disc middle 17 11 ~2; disc large 34 5 ~1",
        "catalogue": "placements: {output: 8}\nlimits: {groups: {wrist: {types: 1}}, same_encoder: [[j1, j2]], "
        "incompatible: [[large, small], {j3: quiet, j4: middle}]}",
        "arm": "groups: {base: [j1, j2, j3], wrist: [j4, j5]}",
        "sampling": "{units: 200, visits: 4, seed: 8}",
    },
    # two joints of one module: the same encoder, mounting and placement
    "module": {
        "links": "j1 turn 250 30 -90; j2 turn 0 300 0; j3 turn 0 20 -90; j4 turn 60 80 0",
        "fitted": "".join(GEARED % (5 + n, 6 + 3 * n, 8 + 4 * n) for n in range(4)),
        "poses": "0 0 0 0; 40 -60 70 20; -90 -30 60 40; 150 -100 20 90",
        "encoders": "disc small 9 20 ~4; disc quiet 22 14 ~1; disc large 34 5 ~1",
        "catalogue": "placements: {motor: 0, output: 8}\nlimits: {modules: [[j1, j3]]}",
        "sampling": "{units: 200, visits: 4, seed: 8}",
    },
    # gears that give way under gravity, some forwards and some backwards: means add as vectors
    "means": {
        "links": "j1 turn 200 0 -90; j2 turn 0 300 0; j3 turn 0 250 0; j4 turn 0 80 0",
        "fitted": BENDING % 30 + BENDING % 180 + BENDING % 60 + BENDING % 15,
        "poses": "0 0 0 0; 30 -60 -100 20; 60 -90 100 -90; 0 -150 130 30; -70 -40 -130 0",
        "encoders": "disc plain 12 9 1; disc better 26 4 0.5",
        "catalogue": "placements: {motor: 0, output: 13}",
        "arm": "masses: {links: {j2: {mass: 3 kg, centre: [-150 mm, 0 mm, 0 mm]}, j3: {mass: 1.5 kg, centre: "
        "[-125 mm, 0 mm, 0 mm]}}, payload: {mass: 1 kg, centre: [0 mm, 0 mm, 0 mm]}}",
    },
}


def rows(table: str) -> list[str]:
    return [row.strip() for row in table.strip("; ").split(";")]


def link(name: str, kind: str, first: str, a: str, alpha: str) -> str:
    turns, slides = f"revolute, d: {first} mm", f"prismatic, theta: {first} deg, range: [0 mm, 800 mm]"
    return f"{{name: {name}, a: {a} mm, alpha: {alpha} deg, type: {turns if kind == 'turn' else slides}}}"


def budget(row: str) -> tuple[str, str]:
    """Document of an encoder that has a summary only, and what stands beside it in the catalogue."""
    text, _, beside = row.partition("|")
    kind, name, price, accuracy, repeats, *more = text.strip().split(maxsplit=5)
    measures, step, unit = ("translation", "0.01 um", "um") if kind == "scale" else ("rotation", "24 bit", "arcsec")
    scatter = f"{repeats} {unit}"
    if repeats.startswith("~"):
        scatter = f"{{std: {scatter[1:]}, distribution: normal}}"
    summary = f"summary: {{resolution: {step}, accuracy: {accuracy} {unit}, repeatability: {scatter}}}"
    parts = [f"kind: encoder, name: {name}, measures: {measures}, price: {price}", *more, summary]
    return f"{{{', '.join(parts)}}}", f"{beside}, " if beside else ""


def build(folder: Path, name: str) -> tuple[Study, Options]:
    """The documents of a case, written and read the way of a user."""
    case = {"arm": "", "scenario": "", "sampling": "{units: 300, visits: 6, seed: 5}", **CASES[name]}
    links, budgets = [row.split() for row in rows(case["links"])], [budget(row) for row in rows(case["encoders"])]
    arm = f"kind: arm\nname: {name}\nkinematics:\n  convention: standard-dh\n  joints:\n"
    arm += "".join(f"    - {link(*row)}\n" for row in links) + case["arm"]
    catalogue = f"kind: catalogue\nname: {name}\nmountings: [{{name: plain}}]\n{case['catalogue']}\nencoders:\n"
    catalogue += "".join(f"  - {{{beside}encoder: {encoder}}}\n" for encoder, beside in budgets)
    units = ["deg" if row[1] == "turn" else "mm" for row in links]
    at = [", ".join(map(" ".join, zip(pose.split(), units, strict=True))) for pose in rows(case["poses"])]
    poses = [f"{{name: p{n}, joints: [{angles}]}}" for n, angles in enumerate(at)]
    scenario = f"kind: scenario\nname: {name}\narm: arm.yaml\njoints:\n"
    for (joint, kind, *_), fitted in zip(links, rows(case["fitted"]), strict=True):
        encoder = next(text for text, _ in budgets if ("rotation" in text) == (kind == "turn"))
        scenario += f"  {joint}: {{encoder: {encoder}, placement: output, {fitted}}}\n"
    scenario += f"{case['scenario']}\nrequirement: {{position: 1 m}}\nsampling: {case['sampling']}\n"
    scenario += f"tasks: [{{kind: poses, name: t, poses: [{', '.join(poses)}]}}]"
    for kind, text in (("arm", arm), ("catalogue", catalogue), ("scenario", scenario)):
        (folder / f"{kind}.yaml").write_text(text + "\n")
    ready, options = load_options(folder / "scenario.yaml", folder / "catalogue.yaml")
    return Study(ready), options


def chosen(options: Options, choice: Choice) -> tuple[Option, ...]:
    return tuple(row[n] for row, n in zip(options.joints, choice, strict=True))


def fitted_with(study: Study, options: Options, choice: Choice) -> Study:
    machine = replace(study.scenario.machine, joints=tuple(option.joint for option in chosen(options, choice)))
    return study.with_scenario(machine=machine)


def admissible(options: Options) -> Iterator[Choice]:
    """Every choice that keeps to the limits. Source: enumeration."""
    for choice in itertools.product(*(range(len(row)) for row in options.joints)):
        fitted = chosen(options, choice)
        names = [option.encoder for option in fitted]
        heavy = options.mass is not None and sum(option.mass for option in fitted) > options.mass + 1e-9
        many = options.types is not None and len(set(names)) > options.types
        short = any(names.count(name) > pieces for name, pieces in options.stock.items())
        if not heavy and not many and not short and not tied(options, names) and not torn(options, fitted):
            yield choice


def torn(options: Options, parts: Sequence[Option]) -> bool:
    """Whether joints of one module are fitted otherwise. Source: the words themselves."""
    return any(
        (parts[j].encoder, parts[j].mounting, parts[j].placement)
        != (parts[joints[0]].encoder, parts[joints[0]].mounting, parts[joints[0]].placement)
        for joints in options.modules
        for j in joints
    )


def tied(options: Options, names: list[str]) -> bool:
    """Whether groups, joints held together or encoders held apart forbid a choice. Source: the words themselves."""
    for joints, most in options.group_types:
        if len({names[j] for j in joints}) > most:
            return True
    if any(len({names[j] for j in joints}) > 1 for joints in options.same_encoder_groups):
        return True
    every = range(len(names))
    return any(
        names[j] == one and names[k] == other and j != k
        for (at, one), (to, other) in options.forbidden_pairs
        for j in (every if at is None else [at])
        for k in (every if to is None else [to])
    )


@dataclass(frozen=True, eq=False)
class Enumerated:
    """Every admissible design, sampled once.

    Over all poses the largest quantile at the coverage and RP of 95 % of arms, shape (designs,) [m], and those of the
    orientation [rad]; ``worst``, the largest AP and RP of every unit, then of its orientation, shape (designs, 4,
    units) [m, rad].
    """

    study: Study
    coverage: float
    options: Options
    choices: list[Choice]
    prices: np.ndarray
    quantile: np.ndarray
    repeatability: np.ndarray
    turn_quantile: np.ndarray
    turn_repeatability: np.ndarray
    worst: np.ndarray

    def met(self, requirement: Requirement) -> np.ndarray:
        """Designs that meet a requirement, by the rules of the verdict, shape (designs,)."""
        out = self.quantile <= requirement.position
        if requirement.orientation is not None:
            out &= self.turn_quantile <= requirement.orientation
        of_arms = [
            requirement.position, requirement.repeatability, requirement.orientation,
            requirement.orientation_repeatability,
        ]  # fmt: skip
        if requirement.yield_ is not None:
            passing = np.ones(self.worst[:, 0].shape, dtype=bool)
            for figure, limit in enumerate(of_arms):
                if limit is not None:
                    passing &= self.worst[:, figure] <= limit
            return out & (passing.mean(axis=1) >= requirement.yield_)
        if requirement.repeatability is not None:
            out &= self.repeatability <= requirement.repeatability
        if requirement.orientation_repeatability is not None:
            out &= self.turn_repeatability <= requirement.orientation_repeatability
        return out


def enumerate_all(study: Study, options: Options, coverage: float = 0.95) -> Enumerated:
    """Sample every admissible design by the ordinary study."""
    study = study.with_scenario(requirement=Requirement(LOOSE, coverage))
    pose_sets, choices = study.find(), list(admissible(options))
    rows, worst = [], []
    for choice in choices:
        (task,), sampled = fitted_with(study, options, choice).judge(pose_sets, RunOptions(1))
        price = sum(option.price for option in chosen(options, choice))
        worst.append(sampled.tasks[0].worst)
        of_arms = np.quantile(worst[-1][3], 0.95, method="inverted_cdf")
        turned = float(task.table.column("orientation_error.at_coverage").max())
        rows.append((price, task.summary.at_coverage, task.summary.repeatability_p95, turned, of_arms))
    return Enumerated(study, coverage, options, choices, *np.array(rows).T, np.array(worst))


def levels(every: Enumerated, number: int) -> Iterator[Requirement]:
    """From one that nothing holds to one that most designs hold, every other one just above what a design reaches."""
    for n, share in enumerate(np.linspace(0.0, 0.6, number).tolist()):
        close, passing = 0.97 if n == 0 else 1.0005 if n % 2 else 1.02, (0.85, 0.9, 0.95, 0.98)[n % 4]
        for_yield = np.maximum(np.quantile(every.worst[:, 0], passing, axis=1, method="higher"), every.quantile)
        kinds = np.stack([every.quantile, every.repeatability, for_yield])
        position, repeats, accuracy = (np.quantile(kinds, share, axis=1, method="lower") * close).tolist()
        both = float(np.quantile(every.repeatability, share + 0.15, method="lower")) * 1.002
        for limits in (
            (position,),
            (LOOSE, repeats),
            (accuracy, None, passing),
            (position, both),
            (accuracy, both, passing),
        ):
            yield Requirement(limits[0], every.coverage, *limits[1:])


def turned_levels(every: Enumerated, number: int) -> Iterator[Requirement]:
    """Limits of the orientation, of its repeatability, of both with a yield: what the position leaves they decide."""
    for n, share in enumerate(np.linspace(0.05, 0.6, number).tolist()):
        close = 1.0005 if n % 2 else 1.02
        turned, repeats = (
            float(np.quantile(values, share, method="lower")) * close
            for values in (every.turn_quantile, every.turn_repeatability)
        )
        position = float(np.quantile(every.quantile, 0.8, method="lower"))
        for limits in (
            {"orientation": turned},
            {"orientation_repeatability": repeats},
            {"position": position, "orientation": turned, "orientation_repeatability": 1.5 * repeats, "yield_": 0.9},
        ):
            yield Requirement(**{"position": LOOSE, "coverage": every.coverage, **limits})


def compare(every: Enumerated, requirement: Requirement) -> tuple[float | None, Selection, float, str]:
    """Price by the enumeration, what `select` makes of the requirement, in how many seconds, the verdict."""
    study, met, begun = every.study.with_scenario(requirement=requirement), every.met(requirement), time.perf_counter()
    selection, seconds = select(study, every.options, RunOptions(1)), time.perf_counter() - begun
    least = float(every.prices[met].min()) if met.any() else None
    if selection.price is None or least is None:
        return least, selection, seconds, "ok" if selection.price is least else "WRONG"
    if abs(selection.price - least) > CENT:
        return least, selection, seconds, "WRONG"
    smallest = float(every.quantile[met & (every.prices < least + CENT)].min())
    same = max(task.summary.at_coverage for task in selection.tasks) == smallest
    return least, selection, seconds, "ok" if same else "NOT-LEAST"


def squares(every: Enumerated) -> tuple[np.ndarray, np.ndarray]:
    """Mean square error of every design, by parts and of the whole machine, shape (designs, poses). [m^2]"""
    machine, (poses,) = every.study.scenario.machine, every.study.find()
    shared, configurations = shared_terms(machine, every.options), [poses.configurations]
    parts, fixed = (
        moments_of_options(machine, every.options, configurations, shared),
        fixed_moments(machine, configurations, shared),
    )
    free = np.full(len(fixed.independent_variance), np.inf)
    program = Program(every.options, parts, fixed, np.ones(len(fixed.independent_variance)), free, free)
    of_machines = []
    for choice in every.choices:
        machine = fitted_with(every.study, every.options, choice).scenario.machine
        of_machines.append(linearise(machine.evaluate(poses.configurations)).mean_square)
    return np.array([program.mean_square(choice) for choice in every.choices]), np.array(of_machines)


def beaten(every: Enumerated, position: float) -> tuple[int, list[str]]:
    """Points of the trade-off, and those that a cheaper design beats by more than 2 % by first order."""
    study = every.study.with_scenario(requirement=Requirement(position, every.coverage))
    points = trade_off(study, every.options, RunOptions(1)).points
    limit = Search(study, every.options, RunOptions(1)).trained_program().limit  # ratios of the same designs
    predicted = position * np.sqrt((squares(every)[1] / limit).max(axis=1))
    wrong = []
    for point in points:
        better = (every.prices < point.price - CENT) & (predicted < 0.98 * point.predicted)
        wrong += [f"{every.prices[n]:g}: {predicted[n]:.4g} m beats {point}" for n in np.flatnonzero(better)]
    return len(points), wrong


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--case", choices=list(CASES), action="append")
    parser.add_argument("--levels", type=int, default=8)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--units", type=int)
    parser.add_argument("--coverage", type=float, default=0.95)
    parser.add_argument("--judged", action="store_true")
    arguments = parser.parse_args()
    if arguments.judged:
        sys.modules["armsim.decide.search_state"].MOST_LISTED = 0
    for name in arguments.case or CASES:
        with tempfile.TemporaryDirectory() as folder:
            study, options = build(Path(folder), name)
        begun = time.perf_counter()
        every = enumerate_all(study.with_plan(arguments.units, seed=arguments.seed), options, arguments.coverage)
        print(f"{name}: {len(every.choices)} designs sampled in {time.perf_counter() - begun:.1f} s", flush=True)
        parts, machines = squares(every)
        print(f"{name}: squares of parts and of the whole differ by {np.abs(parts / machines - 1).max():.1e}")
        points, wrong = beaten(every, float(np.median(every.quantile)))
        print(f"{name}: trade-off of {points} points, {'ok' if not wrong else 'WRONG: ' + '; '.join(wrong)}")
        for requirement in levels(every, arguments.levels):
            least, selection, seconds, verdict = compare(every, requirement)
            sizes = (
                f"{x * 1e6:.4g} um" if x and x < LOOSE else "-"
                for x in (requirement.position, requirement.repeatability)
            )
            text = (
                f"{least} {selection.price} {'proved' if selection.proved else 'not proved'} {seconds:.1f} s {verdict}"
            )
            print(f"{name}: {' RP '.join(sizes)} yield {requirement.yield_ or '-'}: {text}", flush=True)


if __name__ == "__main__":
    main()
