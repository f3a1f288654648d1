"""The invented measured arm of the bonding cell, from a hidden truth: python tests/measured_arm.py [--write]

One arm of the population of `scenarios/bonding-cell.yaml`, but for the disc of j2, which was glued three times as far off its
shaft as the drawing allows. It visits the poses of `scenarios/measured/cell-poses.yaml` thirty times each, and is measured by
an instrument of 5 um. Prints the file; with --write puts it into scenarios/measured/.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

import armsim
from armsim.calibration.measured_population import measured_units
from armsim.calibration.verify import poses_at_rest
from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.model.machine import Machine

SCENARIO = Path(__file__).parent.parent / "scenarios" / "measured" / "cell-poses.yaml"
FILE = SCENARIO.with_name("arm-17.csv")
SEED, UNIT, VISITS, INSTRUMENT, TIMES = 20_017, 3, 30, 5e-6, 3.0


def hidden(machine: Machine) -> Machine:
    """The machine with the disc of j2 at three times its tolerance."""
    joints = list(machine.joints)
    j2 = joints[1]
    off = Magnitude(Distribution("fixed", TIMES * j2.mounting.eccentricity.spread.scale))
    joints[1] = replace(j2, mounting=replace(j2.mounting, eccentricity=off))
    return replace(machine, joints=tuple(joints))


def text() -> str:
    """The file."""
    study = armsim.load(SCENARIO)
    places = poses_at_rest(study)
    joints = np.array([q for q, _ in places.values()])
    counts = [VISITS] * len(places)
    visits = measured_units(hidden(study.scenario.machine), joints, counts, INSTRUMENT, UNIT + 1, SEED)
    lines = ["pose,visit,x [mm],y [mm],z [mm]"]
    for (name, (_, tool)), visit in zip(places.items(), visits, strict=True):
        for number, item in enumerate(visit[UNIT], start=1):
            lines.append(f"{name},{number}," + ",".join(f"{1e3 * value:.4f}" for value in tool + item))
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    if "--write" in sys.argv:
        FILE.write_text(text())
    else:
        print(text(), end="")
