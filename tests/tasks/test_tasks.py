"""Tasks: inverse kinematics round trips, slices, and what cannot be reached."""

import numpy as np
import pytest
from support import planar_arm, published_arm

from armsim.tasks import Command, NamedPose, Poses, Slice
from armsim.tasks.inverse import CLOSE, Failure, solve, starts


@pytest.mark.parametrize("name", ["Puma560", "UR5", "KR5"])
def test_round_trip(name: str) -> None:
    """Source: forward kinematics of roboticstoolbox at random joint positions."""
    arm, robot = published_arm(name)
    from scipy.spatial.transform import Rotation

    tool_removed = np.linalg.inv(robot.tool.A)
    for q in np.random.default_rng(1).uniform(-1.2, 1.2, (10, 6)):
        pose = np.linalg.inv(robot.base.A) @ robot.fkine(q).A @ tool_removed
        rpy = Rotation.from_matrix(pose[:3, :3]).as_euler("xyz")
        command = Command(tuple(pose[:3, 3]), tuple(rpy))
        np.testing.assert_allclose(command.transform, pose, atol=1e-12)
        found = solve(arm, command, starts(arm))
        assert not isinstance(found, Failure)
        np.testing.assert_allclose(arm.postures(found).tool[0], pose, atol=CLOSE)
        near = solve(arm, command, [q + 0.05])
        np.testing.assert_allclose(near, q, atol=1e-6)


def test_a_point_out_of_reach_says_so() -> None:
    task = Poses("p", (NamedPose("far", command=Command((5.0, 0.0, 0.0))), NamedPose("here", joints=(0.1, 0.2))))
    found = task.find(planar_arm(0.4, 0.3))
    assert found.names == ("here",)
    assert [(p.name, p.position) for p in found.unreachable] == [("far", (5.0, 0.0, 0.0))]
    assert found.unreachable[0].reason == "no joint position found that takes the tool there"


def test_joint_ranges_are_kept_and_named() -> None:
    arm = planar_arm(0.4, 0.3)
    from dataclasses import replace

    narrow = replace(arm, joints=(arm.joints[0], replace(arm.joints[1], lower=-0.1, upper=0.1)))
    found = solve(narrow, Command((0.3, 0.2, 0.0)), starts(narrow))
    assert isinstance(found, Failure)
    assert found.reason == "found only outside the range of j2"


def test_slice_of_a_planar_arm_is_its_annulus() -> None:
    """Cells between l1 - l2 and l1 + l2 can be reached, others not. Source: geometry."""
    arm = planar_arm(0.4, 0.3)
    found = Slice("s", "xy", 0.0, 0.05).find(arm)
    assert found.grid is not None
    index = np.array(found.grid.pose)
    x, y = np.meshgrid(found.grid.first, found.grid.second)
    distance = np.hypot(x, y)
    inside = (distance > 0.1 + 1e-6) & (distance < 0.7 - 1e-6)
    outside = (distance < 0.1 - 1e-6) | (distance > 0.7 + 1e-6)
    assert np.all(index[inside] >= 0)
    assert np.all(index[outside] == -1)
    reached = arm.postures(found.joints).tool[:, :3, 3]
    np.testing.assert_allclose(reached[index[inside], 0], x[inside], atol=CLOSE)
    np.testing.assert_allclose(reached[index[inside], 1], y[inside], atol=CLOSE)
    reasons = {p.reason for p in found.unreachable}
    assert "beyond the reach of the arm" in reasons
    assert "no joint position found that takes the tool there" in reasons
    assert len(found.names) + len(found.unreachable) == index.size


def test_slice_keeps_the_branch_of_its_neighbours() -> None:
    """Away from its rims, neighbouring cells of a slice differ by small joint motions."""
    arm, _ = published_arm("Puma560")
    found = Slice("s", "xz", 0.1, 0.05, tool=(np.pi, 0.0, 0.0), first=(0.3, 0.6), second=(0.3, 0.7)).find(arm)
    assert found.grid is not None
    index = np.array(found.grid.pose)
    steps = []
    for i, j in zip(*np.nonzero((index[:, :-1] >= 0) & (index[:, 1:] >= 0)), strict=True):
        step = found.joints[index[i, j]] - found.joints[index[i, j + 1]]
        steps.append(np.abs(np.angle(np.exp(1j * step))).max())  # a joint may unwind by a whole turn at its end
    assert len(steps) > 20
    assert max(steps) < 0.8


def test_slice_is_repeatable() -> None:
    arm = planar_arm(0.4, 0.3)
    a, b = (Slice("s", "xy", 0.0, 0.1).find(arm) for _ in range(2))
    np.testing.assert_array_equal(a.joints, b.joints)
