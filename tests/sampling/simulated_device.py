"""Samples of scenarios by numba's simulator of a CUDA device and by the processor: NUMBA_ENABLE_CUDASIM=1 python FILE

Prints a line of JSON per scenario. A second block of two units, an odd number of visits, laws of visits of all kinds, a
prismatic axis; once in two steps, so that a sample is continued; an arm of one axis that one error of visits moves.
"""

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

import armsim
from armsim.run_options import RunOptions
from armsim.sampling import devices, sampler
from armsim.sampling.sampler import Samples

ROOT = Path(__file__).resolve().parent.parent.parent
UNITS, VISITS = 130, 3
CASES = (("bonding-cell", 0, False), ("track-cell", 0, True), ("lessons/mastering", 0, False))
"""Scenario, number of its task, whether it grows."""


def samples_of(study: Any, sets: Any, device: Any, growing: bool) -> tuple[Samples, list[str]]:
    notes: list[str] = []
    options = RunOptions(1, device=device, note=notes.append)
    if not growing:
        return study.sample(sets, options), notes
    answers = [answer for answer in study.growing(sets, options, begin=128) if answer.samples is not None]
    assert [answer.units for answer in answers] == [128, UNITS]
    return answers[-1].samples, notes


def without_haste(*arguments: Any) -> Any:
    """The sampler of a run, which lets an answer grow."""
    chosen = devices.pose_sampler(*arguments)
    if chosen.device:
        chosen.sizes = replace(chosen.sizes, samples_at_once=0)  # type: ignore[misc]
    return chosen


def main() -> None:
    np.seterr(over="ignore")  # 32-bit words that wrap around
    sampler.pose_sampler = without_haste
    for name, number, growing in CASES:
        study = armsim.load(ROOT / "scenarios" / f"{name}.yaml").with_plan(UNITS, VISITS)
        study = study.with_scenario(tasks=study.scenario.tasks[number : number + 1])
        sets = [poses.select(list(poses.names[:1])) for poses in study.find()]
        (one, _), (other, notes) = (samples_of(study, sets, device, growing) for device in ("cpu", "cuda"))
        a, b = (task.tasks[0].rows.view(np.float64) for task in (one, other))
        scale = np.where(np.abs(a) > 0, np.abs(a), 1.0)
        record = {
            "scenario": name,
            "device": other.spec.sampler.device,
            "notes": notes,
            "undefined alike": bool(np.array_equal(np.isnan(a), np.isnan(b))),
            "figures": int(np.isfinite(a).sum()),
            "difference": float(np.nanmax(np.abs(a - b) / scale)),
            "of units": float(np.abs(one.tasks[0].worst - other.tasks[0].worst).max() / one.tasks[0].worst.max()),
        }
        print(json.dumps(record), flush=True)


if __name__ == "__main__":
    sys.exit(main())
