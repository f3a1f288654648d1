"""Numbers at the ends of what there is: right, or refused in clear words."""

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import roboticstoolbox as rtb
import yaml
from pose_samples import all_visits
from support import ROOT, normal_machine, planar_arm

import armsim
from armsim.errors import InputError
from armsim.report.run_folder import write_run_folder
from armsim.sampling.first_order import linearise
from armsim.sampling.monte_carlo import MachineAtPoses
from armsim.sampling_plan import SamplingPlan
from armsim.study import Study


def displacement(machine: Any, q: list[float], plan: SamplingPlan) -> np.ndarray:
    return all_visits(MachineAtPoses.prepare(machine.at(np.array([q])), plan), 0)[0]


def exact(lengths: list[float], q: np.ndarray) -> np.ndarray:
    """Tool point of a planar chain. Source: roboticstoolbox, DHRobot.fkine."""
    robot = rtb.DHRobot([rtb.RevoluteDH(a=length) for length in lengths])
    return np.array([robot.fkine(row).t for row in q])


@pytest.mark.parametrize("std", [1e-12, 1e-9, 1e-3, 1.0, 3.0])
def test_errors_from_a_picoradian_to_whole_turns(std: float) -> None:
    """A planar arm whose joints err by a normal law: the displacement is that of exact kinematics, digits kept.

    Source of the large ones: roboticstoolbox at the attained angles; of the small ones: the Jacobian, good to std^2.
    """
    lengths, q = [0.4, 0.3], [0.3, 0.7]
    machine = normal_machine(planar_arm(*lengths), std, std)
    plan = SamplingPlan(256, 2, 3)
    displacements = displacement(machine, q, plan)
    assert np.isfinite(displacements).all()
    linear = linearise(machine.at(np.array([q])))
    if std <= 1e-3:
        spread = math.sqrt(float(np.trace(linear.covariance[0])))
        sampled = math.sqrt(float(np.mean(np.sum(displacements**2, axis=0))))
        assert sampled == pytest.approx(spread, rel=0.15)  # 512 draws
        assert np.linalg.matrix_rank(linear.covariance[0][:2, :2]) == 2
    else:
        base = exact(lengths, np.array([q]))[0]
        attained = base[:, None, None] + displacements
        distance = np.hypot(attained[0], attained[1])
        assert distance.max() <= sum(lengths) * (1 + 1e-12)  # the tool stays on the arm
        assert distance.min() >= abs(lengths[0] - lengths[1]) * (1 - 1e-12)


def with_joints(count: int) -> dict[str, Any]:
    rows = [
        {"name": f"j{n}", "type": "revolute", "d": "20 mm", "a": "50 mm", "alpha": f"{90 if n % 2 else -90} deg",
         "range": ["-170 deg", "170 deg"]}
        for n in range(1, count + 1)
    ]  # fmt: skip
    encoder = {
        "kind": "encoder", "name": "disc", "measures": "rotation", "signal_periods": 256, "interpolation": "12 bit",
        "track_radius": "10 mm", "graduation_error": "5 arcsec",
    }  # fmt: skip
    joint = {"encoder": encoder, "placement": "output", "mounting": {"eccentricity": "5 um"}}
    pose = {"name": "one", "joints": [f"{(17 * n) % 90} deg" for n in range(count)]}
    return {
        "kind": "scenario", "name": f"{count} joints",
        "arm": {"kind": "arm", "name": "chain", "kinematics": {"convention": "standard-dh", "joints": rows}},
        "joints": {row["name"]: joint for row in rows}, "requirement": {"position": "1 mm"},
        "tasks": [{"kind": "poses", "name": "stations", "poses": [pose]}],
        "sampling": {"units": 50, "visits": 3, "seed": 1},
    }  # fmt: skip


def study(tmp_path: Path, document: dict[str, Any]) -> Study:
    (tmp_path / "scenario.yaml").write_text(yaml.safe_dump(document))
    return armsim.load(tmp_path / "scenario.yaml")


@pytest.mark.parametrize("count", [1, 2, 20, 64])
def test_from_one_joint_to_many(tmp_path: Path, count: int) -> None:
    """Every number of joints up to the bound; position against roboticstoolbox."""
    result = study(tmp_path, with_joints(count)).run(1)
    robot = rtb.DHRobot(
        [rtb.RevoluteDH(d=0.02, a=0.05, alpha=math.radians(90 if n % 2 else -90)) for n in range(1, count + 1)]
    )
    pose = result.tasks[0].poses[0]
    q = [math.radians((17 * n) % 90) for n in range(count)]
    np.testing.assert_allclose(pose.position, robot.fkine(q).t, atol=1e-12)
    assert pose.error.p95 > 0
    shares = [share for causes in pose.shares.values() for share in causes.values()]
    assert sum(shares) == pytest.approx(1.0)


@pytest.mark.parametrize(("units", "visits"), [(1, 1), (1, 2), (1, 30), (2, 1), (30, 1)])
def test_one_unit_and_one_visit(tmp_path: Path, units: int, visits: int) -> None:
    """What a sample so small cannot tell is null, and a note says so; the document is written all the same."""
    small_study = study(tmp_path, with_joints(2)).with_plan(units, visits)
    result = small_study.run(1)
    pose = json.loads(result.to_json())["tasks"][0]["poses"][0]
    assert pose["repeatability"]["p95"] > 0  # integrated: it takes no visit
    assert pose["error"]["p95_interval"] is None or units > 1  # few units bound no quantile from above
    text = " ".join(result.warnings)
    assert "fewer than 10 lie beyond the coverage" in text
    write_run_folder(tmp_path / "r", result, small_study.scenario, "armsim run")
    assert (tmp_path / "r" / "report.pdf").stat().st_size > 10_000


def test_coverage_beyond_what_the_sample_supports_is_told(tmp_path: Path) -> None:
    document = with_joints(2)
    document["requirement"]["coverage"] = "99.9 %"
    assert any("99.9" in text or "0.999" in text for text in study(tmp_path, document).run(1).warnings)


def test_links_of_no_length(tmp_path: Path) -> None:
    document = with_joints(3)
    for row in document["arm"]["kinematics"]["joints"]:
        row |= {"a": "0 mm", "d": "0 mm"}
    result = study(tmp_path, document).run(1)
    pose = result.tasks[0].poses[0]
    assert pose.error.max == 0.0
    assert all(share == 0.0 for causes in pose.shares.values() for share in causes.values())
    assert result.state == "met"


def test_a_singular_pose_is_right_and_told() -> None:
    """A stretched planar arm: its Jacobian loses rank, the Monte Carlo does not care. Source: as above."""
    machine = normal_machine(planar_arm(0.4, 0.3), 1e-3, 1e-3)
    displacements = displacement(machine, [0.3, 0.0], SamplingPlan(512, 4, 3))
    assert np.isfinite(displacements).all()
    base = exact([0.4, 0.3], np.array([[0.3, 0.0]]))[0]
    attained = base[:, None, None] + displacements
    assert np.hypot(attained[0], attained[1]).max() <= 0.7 * (1 + 1e-12)
    along = np.array([math.cos(0.3), math.sin(0.3)])
    radial = np.einsum("i,ivu->vu", along, displacements[:2])
    assert radial.max() <= 1e-9  # first order sees nothing along the arm; the truth is of second order, inwards
    assert radial.min() < -1e-8


def test_an_arm_without_errors(tmp_path: Path) -> None:
    document = with_joints(2)
    for joint in document["joints"].values():
        joint.pop("mounting", None)
        joint["encoder"] = {**joint["encoder"], "interpolation": "40 bit", "graduation_error": "0 arcsec"}
    small_study = study(tmp_path, document)
    result = small_study.run(1)
    assert result.tasks[0].summary.p95 < 1e-12
    write_run_folder(tmp_path / "r", result, small_study.scenario, "armsim run")


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("eccentricity", "2 mm", "10% of the radius"),
        ("disc_tilt", "15 deg", "at most 10 deg"),
        ("head_tilt", "12 deg", "at most 10 deg"),
    ],
)
def test_shapes_are_not_used_beyond_their_bound(tmp_path: Path, key: str, value: str, message: str) -> None:
    document = with_joints(2)
    document["joints"]["j1"] = {**document["joints"]["j1"], "mounting": {key: value}}
    with pytest.raises(InputError, match=message):
        study(tmp_path, document)


def test_large_errors_are_told(tmp_path: Path) -> None:
    """Joint errors of tens of degrees: exact kinematics still holds, first order does not, and both are said."""
    document = with_joints(2)
    for joint in document["joints"].values():
        joint["mastering"] = "40 deg"
    result = study(tmp_path, document).with_plan(units=4000, visits=2).run(1)
    assert any("beyond small angles" in text for text in result.warnings)
    assert result.tasks[0].summary.first_order_agrees["differs"] == 1
    small = study(tmp_path, with_joints(2)).run(1)
    assert not any("beyond small angles" in text for text in small.warnings)


def test_the_same_run_twice_is_the_same_to_the_bit() -> None:
    """Whatever the number of threads. What the figures were before stands in tests/golden. Source: this project."""
    result = armsim.load(ROOT / "scenarios" / "bonding-cell.yaml").with_plan(units=200, visits=3).run(2)
    again = armsim.load(ROOT / "scenarios" / "bonding-cell.yaml").with_plan(units=200, visits=3).run(1)
    assert result.to_json() == again.to_json()
    assert replace(result, seed=1) != result
