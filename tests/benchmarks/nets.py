"""Scrambled Sobol nets in place of random numbers for what a unit keeps: python tests/benchmarks/nets.py

Prints, at the worst pose of the demo's slice, how much less the answers scatter from seed to seed, and the 95 % interval that
can be said for them: from independent nets, by sections, since the units of a net are not independent.

References: Owen, J. Complexity 14 (1998) 466, scrambled nets; Nakayama, ACM TOMACS 24 (2014) 19, sections for quantiles.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from scipy.stats import qmc, t

import armsim
from armsim.errormodel.distributions import open_interval
from armsim.errormodel.terms import Term
from armsim.sampling.first_order import linearise
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling.statistics import unit_quantiles
from armsim.sampling_plan import SamplingPlan

DEMO = Path(__file__).resolve().parent.parent.parent / "scenarios" / "bonding-cell.yaml"
UNITS, NETS, REPETITIONS, TRUTH = (2048, 8192), (128, 256, 512, 1024), 100, 1_000_000
P = 0.95


def draws(terms: tuple[Term, ...], units: int, net: int, seed: int) -> np.ndarray:
    """Coefficients of units, from nets of so many points, or random ones with 0."""
    result_value = [term.draw for term in terms if term.life == "unit"]
    dimensions, rng = sum(draw.dimensions for draw in result_value), np.random.default_rng(seed)
    if net:
        some = [qmc.Sobol(dimensions, scramble=True, rng=rng).random(net).T for _ in range(units // net)]
        even = open_interval(np.concatenate(some, axis=1))
    else:
        even = open_interval(rng.random((dimensions, units)))
    ends = np.cumsum([draw.dimensions for draw in result_value])
    rows = np.split(even, ends[:-1])
    return np.ascontiguousarray(
        np.concatenate([draw.from_uniform(row) for draw, row in zip(result_value, rows, strict=True)])
    )


def main() -> None:
    """Print the comparison."""
    study = armsim.load(DEMO)
    poses = study.find()[1].configurations.joints
    machine = study.scenario.machine
    worst = int(np.argmax(linearise(machine.at(poses)).mean_square))
    evaluated = machine.at(poses[worst : worst + 1])
    sampler = MachineAtPoses.prepare(evaluated, SamplingPlan(1, 30, 1))
    law = sampler.visit_distribution()

    def accuracy(units: int, net: int, seed: int) -> np.ndarray:
        result_value = draws(evaluated.terms, units, net, seed)
        return np.asarray(sampler.unit_statistics_at_pose(0, law, result_value, units)[0][0])

    truth = float(np.quantile(accuracy(TRUTH, 0, 10**6), P))
    print(f"AP of 95 % of arms at the demo's worst pose, {REPETITIONS} repetitions: {1e6 * truth:.2f} um")
    print("units   points        scatter   half interval   held")
    for units in UNITS:
        for net in (0, *NETS):
            actual, widths, hits = [], [], 0
            for seed in range(REPETITIONS):
                values = accuracy(units, net, seed)
                middle = float(np.quantile(values, P))
                if net:
                    parts = units // net
                    away = np.quantile(values.reshape(parts, net), P, axis=1) - middle
                    width = t.ppf(0.975, parts - 1) * math.sqrt(float(away @ away) / (parts - 1) / parts)
                    low, high = middle - width, middle + width
                else:
                    low, high = unit_quantiles(values, (P,))[0].interval or (0.0, math.inf)
                actual.append(middle)
                widths.append((high - low) / 2)
                hits += low <= truth <= high
            kind = f"nets of {net}" if net else "random"
            spread, width = 1e6 * float(np.std(actual)), 1e6 * float(np.mean(widths))
            print(f"{units:5}   {kind:12}  {spread:.3f} um  {width:.3f} um        {hits / REPETITIONS:.0%}")


if __name__ == "__main__":
    main()
