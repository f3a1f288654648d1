"""Rows of budgets against first order; the laws by which they follow numbers, against changed machines."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from support import ROOT

from armsim.calibration.calibrated_study import calibrated_study
from armsim.decide.live_budget import live_budgets
from armsim.decide.pose_budget import budget_rows, moments
from armsim.decide.row_laws import PROBE_FACTORS, Law, combined_gain, fit_law
from armsim.field_spec import Key
from armsim.model.parameters import StatedNumber
from armsim.run_options import RunOptions
from armsim.sampling.first_order import linearise
from armsim.study import Study

LESSONS = sorted((ROOT / "scenarios" / "lessons").glob("*.yaml"))


def number(kind: str = "length", value: float = 12.0) -> StatedNumber:
    return StatedNumber("joints.j1.x", "j1", Key(kind, "of a test"), True, value, ())


@pytest.mark.parametrize(
    "law",
    [
        Law("power", power=1.0), Law("power", power=2.0), Law("power", power=-1.0), Law("power", power=-0.5),
        Law("share", -4.0), Law("share", 0.3), Law("square", 1.3), Law("square", 1.02), Law("square", 0.4, 2.0),
    ],
)  # fmt: skip
def test_a_law_is_recognised_from_its_gains(law: Law) -> None:
    gains = {factor: abs(law.gain(factor)) for factor in PROBE_FACTORS}
    again = fit_law(number(), gains, signed=False)
    assert again is not None
    for factor in (0.6, 0.9, 1.5):
        assert abs(again.gain(factor)) == pytest.approx(abs(law.gain(factor)), rel=2e-2, abs=1e-2)


def test_a_bit_less_doubles() -> None:
    law = fit_law(
        number("subdivision"), {factor: 2.0 ** (12.0 - 12.0 * factor) for factor in PROBE_FACTORS}, signed=False
    )
    assert law == Law("bits", 12.0)
    assert combined_gain([(law, 11.0 / 12.0)]) == pytest.approx(2.0)


def test_what_follows_no_law_has_none() -> None:
    assert fit_law(number(), {0.8: 1.0, 0.5: 3.0, 2.0: 0.1}, signed=False) is None


@pytest.mark.parametrize("path", LESSONS, ids=lambda path: path.stem)
def test_every_effect_has_rows_and_laws(path: Path) -> None:
    """One effect each: the rows hold all of first order, and follow what is yellow, all of it changed at once."""
    study = Study.load(path).with_plan(50, 2)
    poses = study.find()
    result = study.evaluate(poses, RunOptions(1))[0]
    budgets = live_budgets(study, poses, result)
    assert any(item.has_laws for item in budgets.inputs)
    for budget, task in zip(budgets.tasks, result.tasks, strict=True):
        assert budget.rows
        pose = task.pose(budget.pose)
        mean, covariance = moments([item.row for item in budget.rows])
        size = pose.first_order.rms
        assert mean / size == pytest.approx(np.array(pose.first_order.mean) / size, abs=1e-9)
        assert covariance / size**2 == pytest.approx(np.array(pose.first_order.covariance) / size**2, abs=1e-9)
        assert budget.largest_error < 1e-3


def test_rows_of_a_calibrated_arm_hold_all_of_first_order() -> None:
    """There every coefficient moves many axes, and some hang together: rows in standard deviations, principal axes."""
    study = calibrated_study(Study.load(ROOT / "scenarios" / "measured" / "cell-poses.yaml"))
    poses = study.find()[0]
    evaluated = study.scenario.machine.evaluate(poses.configurations)
    linear = linearise(evaluated)
    rows = budget_rows(evaluated, 0)
    assert len({row.key for row in rows}) == len(rows)
    assert any(row.unit == "1" for row in rows)
    mean, covariance = moments(rows)
    assert mean == pytest.approx(linear.mean[0], abs=1e-12)
    assert covariance / linear.mean_square[0] == pytest.approx(linear.covariance[0] / linear.mean_square[0], abs=1e-9)
