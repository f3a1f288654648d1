"""How often `armsim verify` sees a tolerance that a joint does not keep: python tests/benchmarks/power.py

Arms of the bonding cell whose disc sits two or three times as far off the shaft of one joint as the drawing allows, at the
poses of `scenarios/measured/cell-poses.yaml`, thirty visits, an instrument of 5 um. Told: share called not as predicted, and
share in which the eccentricity of that very joint moved most. None changed: the false alarms.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

import armsim
from armsim.calibration.cause_diagnosis import cause_records
from armsim.calibration.linear_population import LinearPopulation
from armsim.calibration.measured_population import SimulatedMeasurements, measured_units
from armsim.calibration.posterior import Estimator, Posterior
from armsim.calibration.rank_tests import RankTests, Reference
from armsim.calibration.verify import poses_at_rest
from armsim.documents.measured_points import MeasuredArm
from armsim.model.machine import Machine

CELL = Path(__file__).parents[2] / "scenarios" / "measured" / "cell-poses.yaml"
ARMS, VISITS, INSTRUMENT = 200, 30, 5e-6


def looser(machine: Machine, number: int, times: float) -> Machine:
    """With the eccentricity of a joint that many times as large."""
    joints = list(machine.joints)
    stated_value = joints[number].mounting.eccentricity
    off = replace(stated_value, spread=replace(stated_value.spread, scale=times * stated_value.spread.scale))
    joints[number] = replace(joints[number], mounting=replace(joints[number].mounting, eccentricity=off))
    return replace(machine, joints=tuple(joints))


def main() -> None:
    """Print the shares."""
    machine = armsim.load(CELL).scenario.machine
    places = poses_at_rest(armsim.load(CELL))
    names, joints = list(places), np.array([q for q, _ in places.values()])
    counts = [VISITS] * len(names)
    estimator = Estimator.of(LinearPopulation.of(machine, joints), counts, INSTRUMENT)
    reference = Reference.of(
        estimator, SimulatedMeasurements.of(measured_units(machine, joints, counts, INSTRUMENT, 40_000, 1))
    )
    print("joint  eccentricity  not as predicted  named first")
    cases = [(0, 1.0), *((n, times) for times in (2.0, 3.0) for n in range(len(machine.joints)))]
    for number, times in cases:
        rows = list(measured_units(looser(machine, number, times), joints, counts, INSTRUMENT, ARMS, 2))
        called = first = 0
        for unit in range(ARMS):
            visits = {name: poses[unit] for name, poses in zip(names, rows, strict=True)}
            update = Posterior.of(estimator, np.concatenate([v.mean(axis=0) for v in visits.values()]))
            tested = RankTests.of(MeasuredArm("a", visits), reference)
            called += not tested.compatible
            shifts = cause_records(update, tested)[0]
            first += (shifts.cause, shifts.owner) == ("eccentricity", machine.joints[number].name)
        joint = "none" if times == 1.0 else machine.joints[number].name
        print(f"{joint:<6} {times:>11.0f}x {called / ARMS:>17.0%} {first / ARMS:>12.0%}")


if __name__ == "__main__":
    sys.exit(main())
