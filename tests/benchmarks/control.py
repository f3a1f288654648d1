"""First order on the same draws as control variate: python tests/benchmarks/control.py

Prints, at the worst pose of the demo's slice, the 95 % interval of the rms error and of the 95 % quantile with and without the
control, and how often each held the truth in 200 repetitions. The control of a quantile is the difference of two indicator
functions; it needs the quantile of first order, which has no closed form, from a larger population by first order alone.

References: Glasserman, Monte Carlo Methods in Financial Engineering (2004) 4.1; Hesterberg, Nelson, Management Science 44 (1998)
1295, for quantiles.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

import armsim
from armsim.model.machine import EvaluatedMachine
from armsim.sampling.first_order import linearise
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling.random_draws import draw_units
from armsim.sampling_plan import SamplingPlan

DEMO = Path(__file__).resolve().parent.parent.parent / "scenarios" / "bonding-cell.yaml"
UNITS, VISITS, REPETITIONS, MORE, TRUTH = 500, 10, 200, 10, 400_000
SMALL = 1e-6
"""By which all errors are made smaller for first order: the same kernel, in the limit."""
P = 0.95


def distances(evaluated: EvaluatedMachine, units: int, seed: int, scale: float = 1.0) -> np.ndarray:
    """Distance of every visit, shape (visits, units). [m]"""
    sampler = MachineAtPoses.prepare(evaluated, SamplingPlan(units, VISITS, seed))
    small = replace(sampler, unit_value=sampler.unit_value * scale, visit_value=sampler.visit_value * scale)
    draws = draw_units(evaluated.terms, sampler.plan)
    return np.linalg.norm(small.visit_displacements(0, 0, 0, draws, 0, units)[0], axis=0) / scale


def half_width(per_unit: np.ndarray) -> float:
    """Of the 95 % interval of a mean over units."""
    return 1.96 * float(per_unit.std(ddof=1)) / np.sqrt(len(per_unit))


def main() -> None:
    """Print the comparison."""
    study = armsim.load(DEMO)
    poses = study.find()[1].configurations.joints
    machine = study.scenario.machine
    worst = int(np.argmax(linearise(machine.at(poses)).mean_square))
    evaluated = machine.at(poses[worst : worst + 1])
    reference = float(linearise(evaluated).mean_square[0])
    many = distances(evaluated, TRUTH, 10_000)
    truth = {"mean square": float(np.mean(many**2)), "95 % quantile": float(np.quantile(many, P))}
    density = 2e-2 / float(np.quantile(many, P + 1e-2) - np.quantile(many, P - 1e-2))
    del many
    cached: dict[tuple[str, str], list[tuple[bool, float]]] = {}
    for seed in range(REPETITIONS):
        exact, first = distances(evaluated, UNITS, seed), distances(evaluated, UNITS, seed, SMALL)
        wide = distances(evaluated, MORE * UNITS, 20_000 + seed, SMALL)
        square, control = (exact**2).mean(axis=0), (first**2).mean(axis=0)
        q = float(np.quantile(exact, P))
        shift = ((exact <= q).mean(axis=0) - (first <= q).mean(axis=0)).mean()
        # where the share by first order, corrected by the difference on the same draws, is the one asked for
        better = float(np.quantile(wide, np.clip(P - shift, 0.0, 1.0)))
        parts = (exact <= better).mean(axis=0) - (first <= better).mean(axis=0), (wide <= better).mean(axis=0)
        actual = {
            ("mean square", "plain"): (square.mean(), half_width(square)),
            ("mean square", "control"): (reference + (square - control).mean(), half_width(square - control)),
            ("95 % quantile", "plain"): (q, half_width((exact <= q).mean(axis=0)) / density),
            ("95 % quantile", "control"): (better, np.hypot(*(half_width(part) for part in parts)) / density),
        }
        for name, (value, half) in actual.items():
            cached.setdefault(name, []).append((abs(value - truth[name[0]]) <= half, half))
    print(f"{UNITS} units x {VISITS} visits, {REPETITIONS} repetitions; first order of {MORE * UNITS} further units")
    for (what, how), rows in cached.items():
        share, width = np.mean([row[0] for row in rows]), np.median([row[1] for row in rows])
        print(f"  {what:14} {how:8} half-width {width / truth[what]:.3%} of the value, held {share:.1%}")


if __name__ == "__main__":
    main()
