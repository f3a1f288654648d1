"""Sensors of the first page: prices, shares, and what ideal ones would gain, against runs of changed studies."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support import ROOT

import armsim
from armsim import causes
from armsim.causes import lies_in_sensor
from armsim.formatting import show
from armsim.model.encoder import Encoder, SheetSummary
from armsim.report.sensor_tables import better_sensors, each_and_every_pose, sensors_frame
from armsim.report.verdict import deciding_task
from armsim.results import Result
from armsim.study import Study

SCENARIOS = ("seven-from-sheets", "track-cell", "bonding-cell")


@pytest.fixture(scope="module", params=SCENARIOS)
def result(request: pytest.FixtureRequest) -> Result:
    study = armsim.load(ROOT / "scenarios" / f"{request.param}.yaml").with_plan(units=60, visits=4)
    return study.run()


def test_prices_and_shares_add_up(result: Result) -> None:
    frame = sensors_frame(result)
    columns = {column.name: column.values for column in frame.columns}
    *prices, total = columns["price"]
    assert sum(price or 0.0 for price in prices) == pytest.approx(total)
    assert total == pytest.approx(result.price)
    *shares, total_share = columns["share of the mean square error"]
    assert sum(shares) == pytest.approx(total_share) == pytest.approx(1.0, abs=1e-9)
    *of_sensors, all_sensors = columns["of which sensor and mounting"]
    assert sum(share or 0.0 for share in of_sensors) == pytest.approx(all_sensors)
    names = [name for names in columns["joint"] for name in names.split(", ")]
    assert set(result.joints) < set(names)


def test_every_declared_cause_is_of_a_sensor_or_of_something_else() -> None:
    """From memory of the trade: gears, axes, links, mastering, loads and heat are not changed by another sensor."""
    declared = [value for value in vars(causes).values() if isinstance(value, causes.Cause)]
    for value in vars(causes).values():
        declared += (
            [cause for cause in value.values() if isinstance(cause, causes.Cause)] if isinstance(value, dict) else []
        )
    others = {cause.name for cause in declared if not lies_in_sensor(cause.name)}
    words = ("error motion", "temperature", "growth", "drift", "bending", "payload", "stiffness", "zero of a joint")
    named = {name for name in others if any(word in name for word in words)}
    assert others - named == {
        "mastering", "gear kinematic error", "lost motion", "hysteresis", "wind-up", "lead error", "calibration",
    }  # fmt: skip
    assert not lies_in_sensor("eccentricity and wind-up")
    assert lies_in_sensor("eccentricity and disc tilt")


def test_the_gain_is_that_of_a_run_with_ideal_sensors() -> None:
    """Every encoder replaced by one of 60 bit without errors, ideally mounted; gears, mastering and links as they are."""
    study = armsim.load(ROOT / "scenarios" / "bonding-cell.yaml").with_plan(units=60, visits=4)
    tasks = tuple(task for task in study.scenario.tasks if task.name == "stations")
    study = Study(replace(study.scenario, tasks=tasks))
    ideal = Encoder("ideal", summary=SheetSummary(60.0))
    machine = study.scenario.machine
    joints = tuple(replace(joint, encoder=ideal, mounting=type(joint.mounting)()) for joint in machine.joints)
    better = Study(replace(study.scenario, machine=replace(machine, joints=joints))).run()
    result = study.run()
    task = deciding_task(result)
    at = task.poses.names.index(task.summary.worst_pose)
    rms, remaining = (float(one.tasks[0].column("first_order.rms")[at]) for one in (result, better))
    parts = [n for n, (_, cause) in enumerate(task.poses.share_names) if lies_in_sensor(cause)]
    assert task.poses.rms_without_shares(at, parts) == pytest.approx(remaining, rel=1e-6)
    assert f"would lower the rms error at the worst pose by {show(rms - remaining)}" in better_sensors(result)


def test_all_poses_at_once_are_set_beside_each_pose(result: Result) -> None:
    """The position that 95 % of arms pass at every pose, by the yield curve; none for a task of one pose."""
    task = deciding_task(result)
    sentence = each_and_every_pose(result)
    assert task.yield_curve is not None
    reached = [p for p, share in zip(task.yield_curve.position, task.yield_curve.share, strict=True) if share >= 0.95]
    assert sentence.startswith(f"{task.name}: at each pose 95 % of errors lie within {show(task.summary.at_coverage)}")
    assert sentence.endswith(f"95 % of the arms (AP) lies within {show(min(reached))}.")
