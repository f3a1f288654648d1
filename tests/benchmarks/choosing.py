"""Times the choice of encoders: 7 joints x 40 options x 500 poses: python tests/benchmarks/choosing.py [TREE ...]

The tree of this file, or others such as the one before a change, are measured in turn, each in a process of its own. An
invented seven-axis arm at random joint positions, forty ways to fit every joint. Printed are the time to the proven
optimum of the program alone and that of `select` as a whole, every candidate sampled. Baseline of the program: the same
one with all 500 poses in it from the start, where ours takes poses in as they are violated.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from armsim.decide import trade_off
from armsim.decide.program import Cut
from armsim.decide.search import Search
from armsim.decide.select import select
from armsim.documents.load import load_options
from armsim.report.decision_sentences import answer
from armsim.study import Study

ROOT = Path(__file__).resolve().parent.parent.parent
POSES = 500
ARM = """\
kind: arm
name: invented seven-axis
kinematics:
  convention: standard-dh
  joints:
    - {name: j1, type: revolute, d: 305 mm, a: 0 mm, alpha: -90 deg, range: [-160 deg, 160 deg]}
    - {name: j2, type: revolute, d: 0 mm, a: 0 mm, alpha: 90 deg, range: [-105 deg, 105 deg]}
    - {name: j3, type: revolute, d: 365 mm, a: 0 mm, alpha: -90 deg, range: [-160 deg, 160 deg]}
    - {name: j4, type: revolute, d: 0 mm, a: 0 mm, alpha: 90 deg, range: [-125 deg, 125 deg]}
    - {name: j5, type: revolute, d: 345 mm, a: 0 mm, alpha: -90 deg, range: [-165 deg, 165 deg]}
    - {name: j6, type: revolute, d: 0 mm, a: 0 mm, alpha: 90 deg, range: [-110 deg, 110 deg]}
    - {name: j7, type: revolute, d: 95 mm, a: 25 mm, alpha: 0 deg, range: [-300 deg, 300 deg]}
"""
JOINT = (
    "{encoder: encoder.yaml, placement: motor, mounting: {eccentricity: 20 um},"
    " transmission: {ratio: 100, kinematic_error: [{per: output-turn, order: 1, amplitude: 4 arcsec}]}}"
)
ENCODER = (
    "{{kind: encoder, name: {name}, measures: rotation, signal_periods: {periods}, interpolation: 12 bit,"
    " track_radius: {radius} mm, graduation_error: {graduation} arcsec,"
    " signal: {{offset: 1.5 %, noise: 0.2 %}}, price: {price}}}"
)


def write(folder: Path) -> tuple[Path, Path]:
    """Scenario and catalogue."""
    (folder / "arm.yaml").write_text(ARM)
    encoders = []
    for number in range(10):
        periods, radius = 128 * 2 ** (number // 3), 6 + 3 * number
        row = {"periods": periods, "radius": radius, "graduation": round(110 / radius, 2), "price": 10 + 5 * number}
        encoders.append(ENCODER.format(name=f"disc {number}", **row))
    generator = np.random.default_rng(5)
    poses = [
        f"      - {{name: p{n}, joints: [{', '.join(f'{x:.3f} deg' for x in generator.uniform(-100, 100, 7))}]}}"
        for n in range(POSES)
    ]
    joints = "\n".join(f"  j{n}: {JOINT}" for n in range(1, 8))
    (folder / "encoder.yaml").write_text(
        "kind: encoder\nname: as it is\nmeasures: rotation\nsignal_periods: 128\ninterpolation: 12 bit\n"
        "track_radius: 6 mm\ngraduation_error: 18 arcsec\nprice: 10\n"
    )
    (folder / "scenario.yaml").write_text(
        f"kind: scenario\nname: choosing\narm: arm.yaml\njoints:\n{joints}\n"
        "requirement: {position: 36 um, coverage: 95 %, repeatability: 30 um, yield: 90 %}\n"
        "tasks:\n  - kind: poses\n    name: anywhere\n    poses:\n" + "\n".join(poses) + "\n"
        "sampling: {units: 2000, visits: 30, seed: 7}\n"
    )
    (folder / "catalogue.yaml").write_text(
        "kind: catalogue\nname: forty ways\nplacements: {motor: 0, output: 20}\nmountings:\n"
        "  - {name: plain, price: 0, mounting: {eccentricity: 20 um}}\n"
        "  - {name: careful, price: 9, mounting: {eccentricity: 8 um}}\n"
        "encoders:\n"
        + "\n".join(
            f"  - {{diameter: 30 mm, mass: 0.01 kg, interface: serial, encoder: {encoder}}}" for encoder in encoders
        )
        + "\n"
    )
    return folder / "scenario.yaml", folder / "catalogue.yaml"


def measure() -> None:
    """Print what the tree in the current folder takes."""
    with tempfile.TemporaryDirectory() as folder:
        scenario, options = load_options(*write(Path(folder)))
    study = Study(scenario)
    sizes = " x ".join(str(len(joint)) for joint in options.joints)
    with timed("search made ready") as poses:
        search = Search(study, options)
        poses.append(f"{sizes} options, {len(search.names)} poses")
    program = search.trained_program()
    with timed("optimum") as texts:
        choice = program.cheapest()
        texts.append("" if choice is None else f"for {program.price(choice):g}")
    program = search.program()
    program.cuts = [Cut(row, vectors) for row, vectors in enumerate(program.fixed_moments.shared_vectors)]
    with timed("optimum, all poses in from the start") as texts:
        choice = program.cheapest()
        texts.append("" if choice is None else f"for {program.price(choice):g}")
    with timed("select") as texts:
        selection = select(study, options)
        texts.append(f"{selection.sampled} designs sampled; {answer(selection)}")
    with timed("trade-off, select within it") as texts:
        curve = trade_off(study, options)
        texts.append(f"{len(curve.points)} levels")


@contextmanager
def timed(what: str) -> Iterator[list[str]]:
    """Print processor time and time by the clock of what is done within, with the texts that are put into the list."""
    texts: list[str] = []
    clock, processor = time.perf_counter(), time.process_time()
    yield texts
    processor, clock = time.process_time() - processor, time.perf_counter() - clock
    print(f"  {what:40s} {processor:7.2f} s of processor, {clock:7.2f} s; {' '.join(texts)}", flush=True)


def main() -> None:
    trees = [Path(argument).resolve() for argument in sys.argv[1:] if argument != "--measure"] or [ROOT]
    if "--measure" in sys.argv:
        measure()
        return
    for tree in trees:
        print(tree.name, flush=True)
        environment = {**os.environ, "PYTHONPATH": str(tree), "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        subprocess.run([sys.executable, __file__, "--measure"], cwd=tree, env=environment, check=True)


if __name__ == "__main__":
    main()
