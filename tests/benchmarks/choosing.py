"""Times the choice of encoders: 7 joints x 40 options x 500 poses. Run: python tests/benchmarks/choosing.py

An invented seven-axis arm at random joint positions, forty ways to fit every joint. Printed are the time to the proven
optimum of the program alone and that of `select` as a whole, every candidate sampled. Baseline of the program: the same
one with all 500 poses in it from the start, where ours takes poses in as they are violated.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from armsim.decide.select import Search, select
from armsim.documents.load import load_options
from armsim.report.decision_sentences import answer
from armsim.sampling.run_options import MEMORY, RunOptions
from armsim.study import Study

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


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        scenario, options = load_options(*write(Path(folder)))
    study = Study(scenario)
    sizes = " x ".join(str(len(joint)) for joint in options.joints)
    search = Search(study, options)
    program = search.trained_program()
    print(f"{sizes} options, {len(search.names)} poses", flush=True)
    started = time.perf_counter()
    choice = program.cheapest()
    ours = time.perf_counter() - started
    program = search.program()
    program.rows = list(range(len(search.ratio)))
    started = time.perf_counter()
    same = program.cheapest()
    theirs = time.perf_counter() - started
    prices = [None if item is None else program.price(item) for item in (choice, same)]
    print(f"proven optimum    {ours:6.2f} s, all poses in from the start {theirs:6.2f} s; prices {prices}", flush=True)
    started = time.perf_counter()
    actual = select(study, options)
    print(f"verified answer   {time.perf_counter() - started:6.2f} s, {actual.sampled} designs sampled")
    assert scenario.requirement is not None
    print(answer(actual))


if __name__ == "__main__":
    main()
