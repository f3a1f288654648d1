"""Golden results of three demo scenarios, with the commit that made them: python tests/golden.py [--write]

Without --write it prints where the results of today differ. A change that is meant is written anew and told in its commit.
"""

from __future__ import annotations

import argparse
import json
import subprocess
from pathlib import Path
from typing import Any

import numpy as np

import armsim

HERE = Path(__file__).parent
SCENARIOS = ("bonding-cell", "track-cell", "every-task")
UNITS, VISITS = 200, 5
COLUMNS = (
    "error.rms", "error.p95", "accuracy.p95", "repeatability.p95", "orientation_error.p95", "orientation_accuracy.p95",
    "orientation_repeatability.p95", "first_order.rms", "visit_share", "conditioning",
)  # fmt: skip
MOST_POSES = 40
"""Poses of a task that are kept, spread evenly."""


def golden_tasks(name: str) -> dict[str, Any]:
    """What a scenario gives, sampled small: summaries, measures, and some figures of some poses."""
    study = armsim.load(HERE.parent / "scenarios" / f"{name}.yaml").with_plan(units=UNITS, visits=VISITS)
    tasks = {}
    for task in study.run(1).tasks:
        count = len(task.poses)
        some = np.unique(np.linspace(0, count - 1, min(count, MOST_POSES)).astype(int))
        summary = task.summary
        tasks[task.name] = {
            "poses": count,
            "unreachable": len(task.unreachable),
            "worst_pose": summary.worst_pose,
            "met": summary.holds,
            "p95": summary.p95,
            "repeatability_p95": summary.repeatability_p95,
            "yield": None if summary.yield_ is None else summary.yield_.value,
            "causes": dict(sorted(summary.causes.items())),
            "measures": [[measure.name, measure.where, measure.p50, measure.p95] for measure in task.measures],
            "at": {path: task.column(path)[some].tolist() for path in COLUMNS},
        }
    return tasks


def differences(one: Any, other: Any, path: str = "", relative: float = 1e-6) -> list[str]:
    """Places at which two trees of results differ by more than rounding on another machine."""
    if isinstance(one, dict) and isinstance(other, dict):
        keys = dict.fromkeys([*one, *other])
        return [text for key in keys for text in differences(one.get(key), other.get(key), f"{path}/{key}", relative)]
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        pairs = enumerate(zip(one, other, strict=True))
        return [text for n, (a, b) in pairs for text in differences(a, b, f"{path}/{n}", relative)]
    if isinstance(one, float) and isinstance(other, float):
        return [] if abs(one - other) <= relative * max(abs(one), abs(other)) + 1e-15 else [f"{path}: {one} {other}"]
    return [] if one == other else [f"{path}: {one} {other}"]


def stored(name: str) -> dict[str, Any]:
    """The golden results of a scenario."""
    data: dict[str, Any] = json.loads((HERE / "golden" / f"{name}.json").read_text())
    return data


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--write", action="store_true")
    write = parser.parse_args().write
    for name in SCENARIOS:
        tasks = golden_tasks(name)
        if write:
            head = subprocess.run(["git", "rev-parse", "HEAD"], capture_output=True, text=True, check=True, cwd=HERE)
            data = {"commit": head.stdout.strip(), "units": UNITS, "visits": VISITS, "tasks": tasks}
            (HERE / "golden" / f"{name}.json").write_text(json.dumps(data, indent=1, ensure_ascii=False) + "\n")
        else:
            print(f"{name}: {differences(stored(name)['tasks'], tasks) or 'as stored'}")


if __name__ == "__main__":
    main()
