"""How long a calibration takes: python tests/benchmarks/calibration.py

Choosing 30 of 500 candidates, and identifying 2000 arms measured at 30 poses with 40 parameters, each once after a first
time that compiles.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from armsim.calibration.gauss_newton import KinematicModel, identify
from armsim.calibration.measured_machine import as_measured
from armsim.calibration.measured_population import measured_units
from armsim.calibration.pose_selection import PoseSelection, candidates_of
from armsim.documents.load import load_changed, load_scenario
from armsim.study import Study

CELL = Path(__file__).parents[2] / "scenarios" / "bonding-cell.yaml"
BLOCK = {
    "instrument": {"std": "10 um", "pose": "identified", "target": "identified",
                   "target_offset": ["0 mm", "20 mm", "20 mm"]},
    "identify": {"zeros": True, "output_orders": [1], "input_orders": {n: [1, 2] for n in ("j1", "j2", "j3", "j4")}},
}  # fmt: skip
UNITS = 2000


def timed(what: str, work: Callable[[], object]) -> None:
    """Print the seconds of a second time."""
    work()
    began = time.perf_counter()
    work()
    print(f"{what:64s} {time.perf_counter() - began:7.2f} s")


def main() -> None:
    """Print the table."""
    study = Study(load_changed(load_scenario(CELL), {"calibration": BLOCK}))
    machine, calibration, pose_sets = study.scenario.machine, study.scenario.calibration, study.find()
    assert calibration is not None
    candidates = candidates_of(study.scenario, calibration, pose_sets)
    selection = PoseSelection.of(machine, calibration, candidates, pose_sets, 1)
    timed("choosing 30 of 500 candidates", lambda: selection.selected_poses(30, "error"))
    measurement = selection.measurement(selection.selected_poses(30, "error"))
    observed, estimate = as_measured(machine, calibration.instrument), measurement.estimate(machine)
    model = KinematicModel.of(observed, estimate, measurement.joints)

    def measured() -> np.ndarray:
        read = measured_units(observed, measurement.joints, measurement.visits, measurement.noise(machine), UNITS, 1)
        return np.concatenate([item.mean(axis=1) for item in read], axis=1)

    means = measured()
    timed(f"measuring {UNITS} arms at 30 poses, 3 visits each", measured)
    timed(f"identifying {len(estimate.parameters)} parameters of each", lambda: identify(model, estimate, means))


if __name__ == "__main__":
    main()
