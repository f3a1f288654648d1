"""The choice held against full enumeration: python tests/decide/enumeration.py [--case heat] [--levels 8]

Four invented cases, each with few enough designs that every one of them is sampled by the ordinary study. From these
samples the cheapest design that meets a requirement is read off by the rules of the verdict, for several levels of
position, repeatability and yield, alone and together, and `select` is asked the same. One line a level:

    ok                      the price is that of the enumeration
    DEARER-WITHIN-INTERVAL  every cheaper design that holds does not hold on the fresh population, or is told undecided
    WRONG                   anything else
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from armsim.decide import select, trade_off
from armsim.decide.moments import fixed_part, option_parts, shared_terms
from armsim.decide.program import Choice, Program
from armsim.decide.search import Search
from armsim.decide.select import Selection
from armsim.documents.load import load_options
from armsim.engine.firstorder import linearise
from armsim.engine.plan import key
from armsim.model.options import Option, Options
from armsim.results import Requirement
from armsim.study import Study

LOOSE = 1.0
"""A position that every design keeps. [m]"""
CENT = 1e-6
COVERAGE = 0.95


@dataclass(frozen=True)
class Case:
    """What a case is made of: rows of the joints of the arm, their entries, poses by joints, entries of a catalogue."""

    links: tuple[str, ...]
    fitted: tuple[str, ...]
    poses: tuple[str, ...]
    encoders: tuple[str, ...]
    placements: str
    limits: str = "{}"
    arm: str = ""
    scenario: str = ""
    sampling: str = "{units: 300, visits: 6, seed: 5}"


def sheet(
    name: str, price: float, accuracy: str, repeats: str, more: str = "", entry: str = "", rotary: bool = True
) -> str:
    """An entry of a catalogue that has a summary only."""
    measures, step = ("rotation", "24 bit") if rotary else ("translation", "0.01 um")
    return (
        f"{{{entry}encoder: {{kind: encoder, name: {name}, measures: {measures}, price: {price:g}, {more}"
        f"summary: {{resolution: {step}, accuracy: {accuracy}, repeatability: {repeats}}}}}}}"
    )


def turn(name: str, d: float = 0, a: float = 0, alpha: float = 0) -> str:
    return (
        f"{{name: {name}, type: revolute, d: {d:g} mm, a: {a:g} mm, alpha: {alpha:g} deg, range: [-180 deg, 180 deg]}}"
    )


def slide(name: str, theta: float = 0, a: float = 0, alpha: float = 0) -> str:
    return f"{{name: {name}, type: prismatic, theta: {theta:g} deg, a: {a:g} mm, alpha: {alpha:g} deg, range: [0 mm, 800 mm]}}"


def normal(std: str) -> str:
    return f"{{std: {std}, distribution: normal}}"


def fixed(value: str) -> str:
    return f"{{limit: {value}, distribution: fixed}}"


GEARED = "transmission: {ratio: 60, lost_motion: %s, kinematic_error: [{per: output-turn, order: 1, amplitude: %s}]}"
BENDING = (
    "transmission: {ratio: 80, lost_motion: 4 arcsec, stiffness: %s, stiffness_tolerance: 8 %%}, mastering: 5 arcsec"
)

CASES = {
    # a slide along y, an arm in the plane that it carries, a slide along z: links, scales and drifts grow with one heat
    "heat": Case(
        (slide("y", 0, 0, 90), turn("j1", 0, 320, 0), turn("j2", 0, 240, 0), slide("z", 0, 60, 0)),
        ("placement: output, mastering: 3 um", *2 * ("placement: output, mastering: 2 arcsec",), "placement: output"),
        (
            "[700 mm, 0 deg, 20 deg, 100 mm]",
            "[700 mm, 170 deg, 30 deg, 400 mm]",
            "[100 mm, -80 deg, 60 deg, 700 mm]",
            "[600 mm, -60 deg, -90 deg, 50 mm]",
            "[400 mm, 90 deg, 140 deg, 300 mm]",
        ),
        (
            sheet("grown", 30, "2 um", "0.3 um", "expansion: 22 ppm/K, ", rotary=False),
            sheet("steel", 16, "4 um", "0.5 um", "expansion: 11 ppm/K, ", rotary=False),
            sheet("glass", 24, "3 um", "0.3 um", "expansion: 8 ppm/K, ", rotary=False),
            sheet("still", 41, "1.5 um", "0.2 um", rotary=False),
            sheet("ahead", 15, "4 arcsec", "0.5 arcsec", f"drift: {fixed('1.4 arcsec/K')}, "),
            sheet("behind", 19, "3 arcsec", "0.5 arcsec", f"drift: {fixed('0.6 arcsec/K')}, "),
            sheet("either", 23, "2.5 arcsec", "0.4 arcsec", "drift: 1.3 arcsec/K, "),
            sheet("steady", 38, "2 arcsec", "0.3 arcsec", "drift: 0.1 arcsec/K, "),
        ),
        "{output: 0}",
        arm="expansion: 22 ppm/K",
        scenario=f"environment: {{temperature_rise: {normal('3 K')}}}",
    ),
    # lost motion behind motors, noise on outputs: RP of 1 to 2.8 times the rms of the visits
    "visits": Case(
        (turn("j1", 100, 260, 0), turn("j2", 0, 260, 0), turn("j3", 0, 90, 90), turn("j4", 60, 40, 0)),
        (
            f"placement: motor, mastering: 4 arcsec, {GEARED % ('14 arcsec', '9 arcsec')}",
            f"placement: motor, mastering: 4 arcsec, {GEARED % ('26 arcsec', '12 arcsec')}",
            f"placement: motor, mastering: 8 arcsec, {GEARED % ('30 arcsec', '20 arcsec')}",
            f"placement: motor, mastering: 12 arcsec, {GEARED % ('60 arcsec', '30 arcsec')}",
        ),
        (
            "[0 deg, 0 deg, 0 deg, 0 deg]",
            "[20 deg, 90 deg, -40 deg, 30 deg]",
            "[-50 deg, 150 deg, 20 deg, -80 deg]",
            "[100 deg, -60 deg, 80 deg, 60 deg]",
            "[10 deg, 60 deg, 90 deg, 10 deg]",
            "[-120 deg, -170 deg, 10 deg, 90 deg]",
        ),
        (
            sheet("coarse", 11, "12 arcsec", normal("7 arcsec")),
            sheet("fine", 27, "8 arcsec", normal("2 arcsec")),
        ),
        "{motor: 0, output: 9}",
    ),
    # stock, mass and types leave part of the 2048 designs that there are
    "limits": Case(
        (
            turn("j1", 250, 30, -90),
            turn("j2", 0, 300, 0),
            turn("j3", 0, 20, -90),
            turn("j4", 260, 0, 90),
            turn("j5", 40, 30, 0),
        ),
        tuple(
            f"placement: motor, mastering: {5 + n} arcsec, {GEARED % (f'{6 + 3 * n} arcsec', f'{8 + 4 * n} arcsec')}"
            for n in range(5)
        ),
        tuple(
            f"[{a} deg, {b} deg, {c} deg, 20 deg, 40 deg]"
            for a, b, c in ((0, 0, 0), (40, -60, 70), (-90, -30, 60), (150, -100, 20))
        ),
        (
            sheet("small", 9, "20 arcsec", normal("4 arcsec"), entry="mass: 0.01 kg, diameter: 15 mm, "),
            sheet("middle", 17, "11 arcsec", normal("2 arcsec"), entry="mass: 0.02 kg, diameter: 25 mm, stock: 3, "),
            sheet("large", 34, "5 arcsec", normal("1 arcsec"), entry="mass: 0.05 kg, diameter: 45 mm, stock: 2, "),
            sheet("quiet", 22, "14 arcsec", normal("1 arcsec"), entry="mass: 0.03 kg, diameter: 35 mm, "),
        ),
        "{motor: 0, output: 8}",
        limits=(
            "{types: 3, mass: 0.16 kg, joints: {j3: {placements: [output]}, j4: {placements: [output]}, "
            "j5: {placements: [output], diameter: 30 mm}}}"
        ),
        sampling="{units: 200, visits: 4, seed: 8}",
    ),
    # gears that give way under gravity, some forwards and some backwards: means add as vectors
    "means": Case(
        (turn("j1", 200, 0, -90), turn("j2", 0, 300, 0), turn("j3", 0, 250, 0), turn("j4", 0, 80, 0)),
        (
            f"placement: motor, {BENDING % '30 N*m/mrad'}",
            f"placement: motor, {BENDING % '180 N*m/mrad'}",
            f"placement: motor, {BENDING % '60 N*m/mrad'}",
            f"placement: motor, {BENDING % '15 N*m/mrad'}",
        ),
        (
            "[0 deg, 0 deg, 0 deg, 0 deg]",
            "[30 deg, -60 deg, -100 deg, 20 deg]",
            "[60 deg, -90 deg, 100 deg, -90 deg]",
            "[0 deg, -150 deg, 130 deg, 30 deg]",
            "[-70 deg, -40 deg, -130 deg, 0 deg]",
        ),
        (
            sheet("plain", 12, "9 arcsec", "1 arcsec"),
            sheet("better", 26, "4 arcsec", "0.5 arcsec"),
        ),
        "{motor: 0, output: 13}",
        arm=(
            "masses: {links: {j2: {mass: 3 kg, centre: [-150 mm, 0 mm, 0 mm]}, j3: {mass: 1.5 kg, centre: "
            "[-125 mm, 0 mm, 0 mm]}}, payload: {mass: 1 kg, centre: [0 mm, 0 mm, 0 mm]}}"
        ),
    ),
}


def build(folder: Path, name: str) -> tuple[Study, Options]:
    """The documents of a case, written and read the way of a user."""
    case = CASES[name]
    joints = [row.split(",")[0].removeprefix("{name: ") for row in case.links]
    arm = ["kind: arm", f"name: {name}", "kinematics:", "  convention: standard-dh", "  joints:"]
    arm += [*(f"    - {row}" for row in case.links), case.arm]
    (folder / "arm.yaml").write_text("\n".join(arm) + "\n")
    entries = [f"  - {entry}" for entry in case.encoders]
    catalogue = ["kind: catalogue", f"name: {name}", f"placements: {case.placements}", "mountings: [{name: plain}]"]
    catalogue += ["encoders:", *entries, f"limits: {case.limits}"]
    (folder / "catalogue.yaml").write_text("\n".join(catalogue) + "\n")
    first = {entry.partition("measures: ")[2].partition(",")[0]: entry for entry in reversed(case.encoders)}
    scenario = ["kind: scenario", f"name: {name}", "arm: arm.yaml", "joints:"]
    for joint, row, fitted in zip(joints, case.links, case.fitted, strict=True):
        entry = first["translation" if "prismatic" in row else "rotation"]
        encoder = entry.partition("encoder: ")[2][:-1]
        scenario.append(f"  {joint}: {{encoder: {encoder}, {fitted}}}")
    poses = ", ".join(f"{{name: p{n}, joints: {pose}}}" for n, pose in enumerate(case.poses))
    scenario += [case.scenario, "requirement: {position: 1 m}", f"tasks: [{{kind: poses, name: t, poses: [{poses}]}}]"]
    (folder / "scenario.yaml").write_text("\n".join([*scenario, f"sampling: {case.sampling}"]) + "\n")
    ready, options = load_options(folder / "scenario.yaml", folder / "catalogue.yaml")
    return Study(ready), options


def chosen(options: Options, choice: Choice) -> list[Option]:
    return [own[n] for own, n in zip(options.joints, choice, strict=True)]


def fitted_with(study: Study, options: Options, choice: Choice) -> Study:
    joints = tuple(option.joint for option in chosen(options, choice))
    return study.with_scenario(machine=replace(study.scenario.machine, joints=joints))


def admissible(options: Options) -> Iterator[Choice]:
    """Every choice that keeps to stock, mass and types. Source: enumeration."""
    for choice in itertools.product(*(range(len(own)) for own in options.joints)):
        own = chosen(options, choice)
        names = [option.encoder for option in own]
        heavy = options.mass is not None and sum(option.mass for option in own) > options.mass + 1e-9
        many = options.types is not None and len(set(names)) > options.types
        if not heavy and not many and all(names.count(name) <= pieces for name, pieces in options.stock.items()):
            yield choice


@dataclass(frozen=True, eq=False)
class Enumerated:
    """Every admissible design, sampled once.

    Parameters
    ----------
    prices, quantile, repeatability : (designs,)
        Largest quantile at the coverage and RP of 95 % of units over all poses. [m]
    worst : (designs, 2, units) [m]
        Largest AP and RP of every unit over the poses.
    """

    study: Study
    options: Options
    choices: list[Choice]
    prices: np.ndarray
    quantile: np.ndarray
    repeatability: np.ndarray
    worst: np.ndarray

    def met(self, asked: Requirement) -> np.ndarray:
        """Designs that meet a requirement, by the rules of the verdict, shape (designs,)."""
        out = self.quantile <= asked.position
        if asked.yield_ is not None:
            passing = self.worst[:, 0] <= asked.position
            if asked.repeatability is not None:
                passing &= self.worst[:, 1] <= asked.repeatability
            out &= passing.mean(axis=1) >= asked.yield_
        elif asked.repeatability is not None:
            out &= self.repeatability <= asked.repeatability
        return out


def enumerate_all(study: Study, options: Options) -> Enumerated:
    """Sample every admissible design by the ordinary study."""
    study = study.with_scenario(requirement=Requirement(LOOSE, COVERAGE))
    found, choices = study.find(), list(admissible(options))
    rows, worst = [], []
    for choice in choices:
        (task,), sampled = fitted_with(study, options, choice).judge(found, 1)
        price = sum(option.price for option in chosen(options, choice))
        rows.append((price, task.summary.at_coverage, task.summary.repeatability_p95))
        worst.append(sampled.tasks[0].worst)
    return Enumerated(study, options, choices, *np.array(rows).T, np.array(worst))


def levels(every: Enumerated, number: int) -> Iterator[tuple[str, Requirement]]:
    """Levels from one that nothing holds to one that most designs hold; every other one just within a design."""
    for n, share in enumerate(np.linspace(0.0, 0.6, number)):
        close = 0.97 if n == 0 else 1.0005 if n % 2 else 1.02

        def level(values: np.ndarray, share: float = share, close: float = close) -> float:
            return float(np.quantile(values, share, method="lower")) * close

        wanted = (0.85, 0.9, 0.95, 0.98)[n % 4]
        for_yield = np.maximum(np.quantile(every.worst[:, 0], wanted, axis=1, method="higher"), every.quantile)
        position, repeats, accuracy = level(every.quantile), level(every.repeatability), level(for_yield)
        yield f"position {position * 1e6:.4g} um", Requirement(position, COVERAGE)
        yield f"RP {repeats * 1e6:.4g} um", Requirement(LOOSE, COVERAGE, repeats)
        yield f"yield {wanted:.0%} within {accuracy * 1e6:.4g} um", Requirement(accuracy, COVERAGE, None, wanted)
        both = level(every.repeatability, min(1.0, share + 0.15), 1.002)
        yield f"{position * 1e6:.4g} um, RP {both * 1e6:.4g} um", Requirement(position, COVERAGE, both)
        text = f"{accuracy * 1e6:.4g} um, RP {both * 1e6:.4g} um, yield {wanted:.0%}"
        yield text, Requirement(accuracy, COVERAGE, both, wanted)


def confirms(every: Enumerated, number: int, asked: Requirement) -> bool:
    """Whether a design holds on the population of the fresh seed too."""
    plan = every.study.scenario.plan
    fresh = replace(plan, seed=int.from_bytes(key(plan.seed, "confirmation")[:7], "little"))
    study = fitted_with(every.study, every.options, every.choices[number])
    study = study.with_scenario(plan=fresh, requirement=asked)
    return all(task.summary.met for task in study.judge(study.find(), 1)[0])


@dataclass(frozen=True, eq=False)
class Held:
    """A level, and what `select` made of it."""

    level: str
    asked: Requirement
    enumerated: float | None
    selection: Selection
    seconds: float
    verdict: str


def hold(every: Enumerated, level: str, asked: Requirement) -> Held:
    """Ask `select`, and hold its answer against the enumeration."""
    begun = time.perf_counter()
    found = select(every.study.with_scenario(requirement=asked), every.options, workers=1)
    seconds = time.perf_counter() - begun
    met = every.met(asked)
    least = float(every.prices[met].min()) if met.any() else None
    told = np.inf if found.price is None else found.price
    if (found.price is None and least is None) or (least is not None and abs(told - least) <= CENT):
        verdict = "ok"
    elif least is None or told < least:
        verdict = "WRONG"
    else:
        open_ = {tuple((p.encoder, p.placement, p.joint) for p in r.design) for r in found.refuted if r.undecided}
        cheaper = np.flatnonzero(met & (every.prices < told - CENT))
        excused = all(design_of(every, n) in open_ or not confirms(every, n, asked) for n in cheaper.tolist())
        verdict = "DEARER-WITHIN-INTERVAL" if excused else "WRONG"
    return Held(level, asked, least, found, seconds, verdict)


def design_of(every: Enumerated, number: int) -> tuple[tuple[str, str, str], ...]:
    own = chosen(every.options, every.choices[number])
    return tuple((option.encoder, option.placement, option.joint.name) for option in own)


def squares(every: Enumerated) -> tuple[np.ndarray, np.ndarray]:
    """Mean square error of every design, by parts and of the whole machine, shape (designs, poses). [m^2]"""
    machine, places = every.study.scenario.machine, [poses.places for poses in every.study.find()]
    shared = shared_terms(machine, every.options)
    parts, rest = option_parts(machine, every.options, places, shared), fixed_part(machine, places, shared)
    free = np.full(len(rest.scatter), np.inf)
    program = Program(every.options, parts, rest, np.ones(len(rest.scatter)), free)
    whole = []
    for choice in every.choices:
        own = fitted_with(every.study, every.options, choice).scenario.machine
        whole.append(np.concatenate([linearise(own.there(at)).mean_square for at in places]))
    return np.array([program.square(choice) for choice in every.choices]), np.array(whole)


def beaten(every: Enumerated, position: float) -> tuple[int, list[str]]:
    """Points of the trade-off, and those that a cheaper design beats by more than 2 % by first order."""
    study = every.study.with_scenario(requirement=Requirement(position, COVERAGE))
    points = trade_off(study, every.options, workers=1).points
    limit = Search(study, every.options, 1, lambda *told: None, 1 << 30).taught().limit  # ratios of the same designs
    predicted = position * np.sqrt((squares(every)[1] / limit).max(axis=1))
    wrong = []
    for point in points:
        better = (every.prices < point.price - CENT) & (predicted < 0.98 * point.predicted)
        wrong += [f"{every.prices[n]:g}: {predicted[n]:.4g} m beats {point}" for n in np.flatnonzero(better)]
    for price, error in zip(every.prices, predicted, strict=True):
        if not any(point.price <= price + CENT and point.predicted <= 1.02 * error for point in points):
            wrong.append(f"no point is as good as {error:.4g} m for {price:g}")
    return len(points), wrong


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--case", choices=list(CASES), action="append")
    parser.add_argument("--levels", type=int, default=8)
    parser.add_argument("--judged", action="store_true", help="without listing the rest at the end: nothing is proved")
    asked = parser.parse_args()
    if asked.judged:
        sys.modules["armsim.decide.select"].MOST_LISTED = 0  # type: ignore[attr-defined]
    for name in asked.case or CASES:
        with tempfile.TemporaryDirectory() as folder:
            study, options = build(Path(folder), name)
        begun = time.perf_counter()
        every = enumerate_all(study, options)
        print(f"{name}: {len(every.choices)} designs sampled in {time.perf_counter() - begun:.1f} s", flush=True)
        if name in ("heat", "means"):
            parts, whole = squares(every)
            print(f"{name}: squares of parts and of the whole differ by {np.abs(parts / whole - 1).max():.1e}")
        if name == "heat":
            points, wrong = beaten(every, float(np.median(every.quantile)))
            print(f"{name}: trade-off of {points} points, {'ok' if not wrong else 'WRONG: ' + '; '.join(wrong)}")
        for level, requirement in levels(every, asked.levels):
            row = hold(every, level, requirement)
            prices = " ".join("none" if x is None else f"{x:g}" for x in (row.enumerated, row.selection.price))
            told = f"{prices}, {'' if row.selection.proved else 'not '}proved, {row.seconds:.1f} s, {row.verdict}"
            print(f"{name}: {level}: {told}", flush=True)


if __name__ == "__main__":
    main()
