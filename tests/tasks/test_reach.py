"""Reach: what the arm can reach is found, redundancy gives smooth maps, and what is not found was looked for.

Poses come from forward kinematics of random joints within the ranges; solutions are checked by the forward kinematics of
roboticstoolbox, an independent library.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares
from spatialmath import SE3
from support import ROOT, planar_arm, published_arm

import armsim
from armsim.errors import RunError
from armsim.model.arm import Arm
from armsim.model.kinematics import ArmJoint, rotation
from armsim.tasks import Path, Slice, Waypoint
from armsim.tasks.base import Command, PoseConstraints
from armsim.tasks.inverse import POSE_TOLERANCE, Failure, Solver

POSES = 2000


def limited(arm: Arm, low: float, high: float) -> Arm:
    """The arm with ranges of its revolute joints that are neither full nor symmetric. [rad]"""
    joints = tuple(
        replace(joint, lower=low + 0.1 * n, upper=high - 0.1 * n) if joint.revolute else joint
        for n, joint in enumerate(arm.joints)
    )
    return Arm(arm.name, joints, arm.motions)


def rpy(turn: np.ndarray) -> tuple[float, float, float]:
    roll, pitch, yaw = SE3.Rt(turn, check=False).rpy(order="zyx")
    return float(roll), float(pitch), float(yaw)


@pytest.mark.parametrize("arm_name", ["Puma560", "Stanford", "LWR4"])
@pytest.mark.parametrize("ends", [(-3.1, 3.1), (-1.6, 2.4)])
def test_poses_of_forward_kinematics_are_found(arm_name: str, ends: tuple[float, float]) -> None:
    """2000 poses that the arm takes within its ranges: 99.9 % are found. Source: forward kinematics of roboticstoolbox."""
    arm, robot = published_arm(arm_name)
    robot.tool = SE3()
    arm = limited(arm, *ends)
    rng = np.random.default_rng(11)
    q = rng.uniform(arm.finite_lower, arm.finite_upper, (POSES, len(arm.joints)))
    request = np.asarray(robot.ets().eval(q))
    solver = Solver(arm)
    starts, solution = solver.starts(), []
    for pose in request:
        x, y, z = pose[:3, 3]
        solved = solver.solve(Command((float(x), float(y), float(z)), rpy(pose[:3, :3])), starts)
        solution.append(np.full(len(arm.joints), np.nan) if isinstance(solved, Failure) else solved)
    joints = np.array(solution)
    good = ~np.isnan(joints[:, 0])
    assert good.mean() >= 0.999
    reached = np.asarray(robot.ets().eval(joints[good]))
    np.testing.assert_allclose(reached[:, :3], request[good][:, :3], atol=2 * POSE_TOLERANCE)
    assert np.all(joints[good] >= arm.lower - 1e-9)
    assert np.all(joints[good] <= arm.upper + 1e-9)


def seven() -> Arm:
    return limited(published_arm("LWR4")[0], -2.3, 2.3)


def test_cells_of_a_redundant_arm_are_those_of_an_independent_solver() -> None:
    """Seven joints with narrow ranges, the tool pointing down: what scipy's bounded least squares reaches is found.

    Source: scipy.optimize.least_squares on forward kinematics of this package, 6 starts a cell.
    """
    arm = seven()
    down = PoseConstraints(direction=(0.0, 0.0, -1.0))
    pose_set = Slice("s", "xz", 0.0, 0.15, x=(-0.6, 0.6), z=(0.0, 0.6), constraints=down).find(arm)
    grid = pose_set.grid
    assert grid is not None
    index = np.array(grid.pose).reshape(len(grid.centres[1]), len(grid.centres[0]))
    rng, missed = np.random.default_rng(0), []
    lost = rng.permutation(np.argwhere(index < 0))[:8]
    for row, column in lost:
        x, z = grid.centres[0][column], grid.centres[1][row]

        def off(q: np.ndarray, x: float = x, z: float = z) -> np.ndarray:
            tools = arm.postures(q).tool
            rows = np.concatenate([tools[:, :3, 3] - [x, 0.0, z], tools[:, :3, 2] - [0.0, 0.0, -1.0]], axis=1)
            return np.asarray(rows[0] if q.ndim == 1 else rows)

        def slopes(q: np.ndarray, off: Callable[[np.ndarray], np.ndarray] = off) -> np.ndarray:
            return (off(q + 1e-7 * np.eye(len(q))) - off(q)).T / 1e-7

        for _ in range(6):
            start = rng.uniform(arm.lower, arm.upper)
            solved = least_squares(off, start, slopes, bounds=(arm.lower, arm.upper), max_nfev=60)
            if np.abs(solved.fun).max() < 1e-6:
                missed.append((x, z))
                break
    assert missed == []
    assert (index >= 0).sum() > 10


def test_a_redundant_map_is_smooth() -> None:
    """Neighbouring cells of a seven-axis arm differ in posture by no more than their distance over the short arm lengths."""
    arm = limited(published_arm("LWR4")[0], -2.8, 2.8)
    pose_set = Slice(
        "s", "yz", 0.35, 0.02, y=(-0.3, 0.3), z=(0.1, 0.5), constraints=PoseConstraints(rpy=(np.pi, 0.0, 0.0))
    ).find(arm)
    grid = pose_set.grid
    assert grid is not None
    index = np.array(grid.pose).reshape(len(grid.centres[1]), len(grid.centres[0]))
    assert np.all(index >= 0)
    q = pose_set.configurations.joints[index]
    for axis in (0, 1):
        assert np.abs(np.diff(q, axis=axis)).max() < 0.35  # 20 mm on levers of 100 mm and more


def test_a_symmetric_arm_has_a_symmetric_map() -> None:
    """Mirror images left and right of the first axis: the same cells, mirrored postures. Source: geometry."""
    arm = limited(published_arm("LWR4")[0], -2.8, 2.8)
    arm = Arm(arm.name, tuple(replace(j, lower=-2.5, upper=2.5) for j in arm.joints), arm.motions)
    for constraints in (
        PoseConstraints(rpy=(np.pi, 0.0, 0.0)),
        PoseConstraints(direction=(0.0, 0.0, -1.0)),
        PoseConstraints(),
    ):
        pose_set = Slice("s", "yz", 0.3, 0.1, constraints=constraints).find(arm)
        grid = pose_set.grid
        assert grid is not None
        index = np.array(grid.pose).reshape(len(grid.centres[1]), len(grid.centres[0]))
        np.testing.assert_array_equal(index >= 0, index[:, ::-1] >= 0)


def test_the_posture_that_is_asked_for_is_taken() -> None:
    """Of all postures that reach the pose the nearest to the stated one. Source: the self-motion, walked by hand."""
    arm = planar_arm(0.4, 0.3, 0.2)
    at = (0.45, 0.2, 0.0)
    for nearest in ((0.0, 0.9, 0.4), (1.2, -0.9, -0.6)):
        solver = Solver(arm, PoseConstraints(nearest=nearest))
        q = solver.solve(Command(at), solver.starts())
        assert not isinstance(q, Failure)
        best = np.inf
        for last in np.linspace(-np.pi, np.pi, 4001):  # the direction of the last link decides, and the elbow
            x, y = at[0] - 0.2 * np.cos(last), at[1] - 0.2 * np.sin(last)
            cosine = (x * x + y * y - 0.25) / 0.24
            if abs(cosine) > 1:
                continue
            for elbow in (np.arccos(cosine), -np.arccos(cosine)):
                first = np.arctan2(y, x) - np.arctan2(0.3 * np.sin(elbow), 0.4 + 0.3 * np.cos(elbow))
                third = (last - first - elbow + np.pi) % (2 * np.pi) - np.pi
                best = min(best, float(np.sum((np.array([first, elbow, third]) - nearest) ** 2)))
        assert np.sum((q - nearest) ** 2) == pytest.approx(best, rel=1e-3)


def test_the_posture_does_not_depend_on_the_way_there() -> None:
    """From any start the same posture, but for its branch: here there is one. Source: uniqueness of a close minimum."""
    arm = limited(published_arm("LWR4")[0], -2.8, 2.8)
    rng = np.random.default_rng(5)
    nearest = np.array([0.2, 0.6, 0.1, 0.9, 0.0, -0.5, 0.3])
    solver = Solver(arm, PoseConstraints(nearest=tuple(nearest)))
    tool = arm.postures(nearest + 0.02).tool[0]
    command = Command(tuple(tool[:3, 3].tolist()), rpy(tool[:3, :3]))
    solution = [solver.solve(command, [nearest + 0.1 * rng.standard_normal(7)]) for _ in range(20)]
    for q in solution:
        np.testing.assert_allclose(q, solution[0], atol=1e-5)


def test_a_jump_is_seen_at_joints_without_a_range() -> None:
    """A turning joint without ends leaps by a quarter turn within a step: the path is refused. Source: a wrist held singular."""
    arm, _ = published_arm("Puma560")
    endless = Arm(arm.name, tuple(ArmJoint(j.name, j.revolute, -np.inf, np.inf) for j in arm.joints), arm.motions)
    q = np.array([0.0, 0.9, -1.8, 0.0, 0.0, 0.0])  # the wrist straight: its first and last axis are one
    tool = endless.postures(q).tool[0]
    turn = tool[:3, :3]
    side = turn @ rotation(np.array([1.0, 0.0, 0.0]), 0.02)[0]
    location, aside = tuple(tool[:3, 3].tolist()), tuple((tool[:3, 3] + [0.0, 0.004, 0.0]).tolist())
    start = turn @ rotation(np.array([0.0, 1.0, 0.0]), 0.02)[0]
    before = tuple((tool[:3, 3] - [0.0, 0.004, 0.0]).tolist())
    path = Path(
        "through the wrist", 0.002, 0.05,
        (Waypoint(before, rpy=rpy(start)), Waypoint(location, rpy=rpy(turn)), Waypoint(aside, rpy=rpy(side))),
        constraints=PoseConstraints(near=tuple(q.tolist())),
    )  # fmt: skip
    with pytest.raises(RunError, match=r"jumps from one posture to another .*j4"):
        path.find(endless)


def test_what_cannot_be_reached_was_looked_for() -> None:
    """The reason tells from how many starts."""
    pose_set = Slice("s", "xy", 0.0, 0.05).find(planar_arm(0.4, 0.3))
    reasons = {p.reason for p in pose_set.unreachable}
    assert reasons == {
        "beyond the reach of the arm",
        "no joint position found that takes the tool there, from 64 starts",
    }


def test_a_posture_on_a_track() -> None:
    """The stated place of the track draws the carriage there."""
    study = armsim.load(ROOT / "scenarios" / "track-cell.yaml")
    arm = study.scenario.machine.arm
    expected = (0.3, 0.1, 0.6, 0.4, 0.1, 0.7, 0.2)
    task = Slice("s", "xz", 0.2, 0.1, x=(0.3, 0.5), z=(0.1, 0.3), constraints=PoseConstraints(nearest=expected))
    near = task.find(arm).configurations.joints
    far = replace(task, constraints=PoseConstraints(nearest=(0.9, *expected[1:]))).find(arm).configurations.joints
    # a metre on the track counts as much as a radian: some millimetres closer, at every cell
    assert np.all(near[:, 0] < far[:, 0] - 2e-3)


@pytest.mark.parametrize("expected", [-0.9, 0.0, 0.6])
def test_the_elbow_stands_where_it_is_asked(expected: float) -> None:
    """Every cell of a map has the elbow at the stated angle. Source: shoulder, elbow and wrist by roboticstoolbox."""
    arm, robot = published_arm("LWR4")
    robot.tool = SE3()
    down = PoseConstraints(rpy=(np.pi, 0.0, 0.0), elbow=expected)
    pose_set = Slice("s", "yz", 0.4, 0.1, y=(-0.2, 0.2), z=(0.1, 0.4), constraints=down).find(arm)
    assert len(pose_set.names) >= 12
    for q in pose_set.configurations.joints:
        links = robot.fkine_all(q).t  # base, then the frame that every joint carries
        shoulder, elbow, wrist = links[2], links[4], links[6]
        line = (wrist - shoulder) / np.linalg.norm(wrist - shoulder)
        out, up = (v - line * (line @ v) for v in (elbow - shoulder, np.array([0.0, 0.0, 1.0])))
        angle = np.arctan2(line @ np.cross(up, out), up @ out)
        assert angle == pytest.approx(expected, abs=1e-5)
