"""Tasks: inverse kinematics round trips, cells, clouds, test poses, paths, and what cannot be reached."""

import math
from dataclasses import replace
from pathlib import Path as File

import numpy as np
import pytest
from support import planar_arm, published_arm

from armsim.errors import RunError
from armsim.model.arm import Arm
from armsim.tasks import (
    Cloud,
    Command,
    Frame,
    IsoPoses,
    NamedPose,
    Path,
    PoseConstraints,
    Poses,
    Slice,
    Volume,
    Waypoint,
)
from armsim.tasks.base import UNCONSTRAINED
from armsim.tasks.inverse import POSE_TOLERANCE, Failure, Solver
from armsim.tasks.path import circle_through

DOWN = (math.pi, 0.0, 0.0)


def solved(arm: Arm, command: Command, constraints: PoseConstraints = UNCONSTRAINED) -> np.ndarray:
    solver = Solver(arm, constraints)
    q = solver.solve(command, solver.starts())
    assert not isinstance(q, Failure), q.reason
    return q


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
        np.testing.assert_allclose(arm.postures(solved(arm, command)).tool[0], pose, atol=POSE_TOLERANCE)
        np.testing.assert_allclose(Solver(arm).solve(command, [q + 0.05]), q, atol=1e-6)


@pytest.mark.parametrize(
    ("name", "elbow", "wrist"), [("Puma560", "j3", "j5"), ("KR5", "j3", "j5"), ("UR5", "j3", "j5")]
)
def test_round_trip_branch_by_branch(name: str, elbow: str, wrist: str) -> None:
    """Every branch asked for is found and kept. Source: forward kinematics of roboticstoolbox in postures of that branch."""
    arm, robot = published_arm(name)
    tool_removed = np.linalg.inv(robot.tool.A)
    generator = np.random.default_rng(2)
    for sign_of_elbow in (1, -1):
        for sign_of_wrist in (1, -1):
            for _ in range(3):
                q = generator.uniform(-1.0, 1.0, 6)
                q[2], q[4] = sign_of_elbow * generator.uniform(0.4, 1.4), sign_of_wrist * generator.uniform(0.4, 1.4)
                pose = np.linalg.inv(robot.base.A) @ robot.fkine(q).A @ tool_removed
                from scipy.spatial.transform import Rotation

                rpy = tuple(Rotation.from_matrix(pose[:3, :3]).as_euler("xyz"))
                constraints = PoseConstraints(rpy, branch=((elbow, sign_of_elbow), (wrist, sign_of_wrist)))
                solution = solved(arm, Command(tuple(pose[:3, 3]), rpy), constraints)
                np.testing.assert_allclose(arm.postures(solution).tool[0], pose, atol=POSE_TOLERANCE)
                assert np.sign(solution[2]) == sign_of_elbow
                assert np.sign(solution[4]) == sign_of_wrist


@pytest.mark.parametrize("direction", [(0.0, 0.0, -1.0), (0.6, 0.0, -0.8), (0.0, 1.0, 0.0)])
def test_a_tool_free_about_its_direction(direction: tuple[float, float, float]) -> None:
    """The z axis of the tool points where it shall; a held joint stands where it shall. Source: forward kinematics."""
    arm, _ = published_arm("Puma560")
    constraints = PoseConstraints(direction=direction, fixed_joints=(("j6", 0.3),))
    q = solved(arm, constraints.command_at((0.45, 0.1, 0.2)), constraints)
    tool = arm.postures(q).tool[0]
    np.testing.assert_allclose(tool[:3, 3], (0.45, 0.1, 0.2), atol=POSE_TOLERANCE)
    np.testing.assert_allclose(tool[:3, 2], direction, atol=POSE_TOLERANCE)
    assert q[5] == 0.3


def test_a_point_out_of_reach_says_so() -> None:
    task = Poses("p", (NamedPose("far", command=Command((5.0, 0.0, 0.0))), NamedPose("here", joints=(0.1, 0.2))))
    pose_set = task.find(planar_arm(0.4, 0.3))
    assert pose_set.names == ("here",)
    assert [(p.name, p.position) for p in pose_set.unreachable] == [("far", (5.0, 0.0, 0.0))]
    assert pose_set.unreachable[0].reason == "no joint position found that takes the tool there, from 128 starts"


def test_joint_ranges_are_kept_and_named() -> None:
    arm = planar_arm(0.4, 0.3)
    narrow = replace(arm, joints=(arm.joints[0], replace(arm.joints[1], lower=-0.1, upper=0.1)))
    solver = Solver(narrow)
    solution = solver.solve(Command((0.3, 0.2, 0.0)), solver.starts())
    assert isinstance(solution, Failure)
    assert solution.reason == "found only outside the range of j2"


def test_slice_of_a_planar_arm_is_its_annulus() -> None:
    """Cells between l1 - l2 and l1 + l2 can be reached, others not. Source: geometry."""
    arm = planar_arm(0.4, 0.3)
    pose_set = Slice("s", "xy", 0.0, 0.05).find(arm)
    assert pose_set.grid is not None
    first, second = (np.array(centres) for centres in pose_set.grid.centres)
    index = np.array(pose_set.grid.pose).reshape(len(second), len(first))
    x, y = np.meshgrid(first, second)
    distance = np.hypot(x, y)
    inside = (distance > 0.1 + 1e-6) & (distance < 0.7 - 1e-6)
    outside = (distance < 0.1 - 1e-6) | (distance > 0.7 + 1e-6)
    assert np.all(index[inside] >= 0)
    assert np.all(index[outside] == -1)
    reached = arm.postures(pose_set.configurations.joints).tool[:, :3, 3]
    np.testing.assert_allclose(reached[index[inside], 0], x[inside], atol=POSE_TOLERANCE)
    np.testing.assert_allclose(reached[index[inside], 1], y[inside], atol=POSE_TOLERANCE)
    reasons = {p.reason for p in pose_set.unreachable}
    assert "beyond the reach of the arm" in reasons
    assert "no joint position found that takes the tool there, from 64 starts" in reasons
    assert len(pose_set.names) + len(pose_set.unreachable) == index.size


def test_slice_keeps_the_branch_of_its_neighbours() -> None:
    """Away from its rims, neighbouring cells of a slice differ by small joint motions."""
    arm, _ = published_arm("Puma560")
    pose_set = Slice("s", "xz", 0.1, 0.05, x=(0.3, 0.6), z=(0.3, 0.7), constraints=PoseConstraints(DOWN)).find(arm)
    assert pose_set.grid is not None
    index = np.array(pose_set.grid.pose).reshape([len(c) for c in pose_set.grid.centres[::-1]])
    steps = []
    for i, j in zip(*np.nonzero((index[:, :-1] >= 0) & (index[:, 1:] >= 0)), strict=True):
        step = pose_set.configurations.joints[index[i, j]] - pose_set.configurations.joints[index[i, j + 1]]
        steps.append(np.abs(np.angle(np.exp(1j * step))).max())  # a joint may unwind by a whole turn at its end
    assert len(steps) > 20
    assert max(steps) < 0.8


def test_slice_is_repeatable() -> None:
    arm = planar_arm(0.4, 0.3)
    a, b = (Slice("s", "xy", 0.0, 0.1).find(arm) for _ in range(2))
    np.testing.assert_array_equal(a.configurations.joints, b.configurations.joints)


def test_a_slice_in_a_frame_and_a_volume_lie_where_they_shall() -> None:
    """Source: homogeneous transforms by scipy Rotation."""
    from scipy.spatial.transform import Rotation

    arm, _ = published_arm("Puma560")
    xyz, rpy = (0.4, 0.0, 0.1), (0.1, -0.3, 0.5)
    pose_set = Slice("s", "xy", 0.02, 0.1, x=(-0.1, 0.1), y=(-0.1, 0.1), frame=Frame(xyz, rpy)).find(arm)
    turn = Rotation.from_euler("xyz", rpy)
    inside = turn.inv().apply(arm.postures(pose_set.configurations.joints).tool[:, :3, 3] - np.array(xyz))
    assert len(pose_set.names) == 9
    np.testing.assert_allclose(inside[:, 2], 0.02, atol=1e-7)
    np.testing.assert_allclose(sorted(set(np.round(inside[:, 0], 6))), [-0.1, 0.0, 0.1])
    box = Volume("v", (0.3, 0.5), (-0.1, 0.1), (0.0, 0.2), 0.1, PoseConstraints(DOWN)).find(arm)
    assert box.grid is not None
    assert len(box.names) + len(box.unreachable) == 27 == len(box.grid.pose)
    tips = arm.postures(box.configurations.joints).tool[:, :3, 3]
    for cell, pose in enumerate(box.grid.pose):  # x fastest
        if pose >= 0:
            at = [box.grid.centres[0][cell % 3], box.grid.centres[1][cell // 3 % 3], box.grid.centres[2][cell // 9]]
            np.testing.assert_allclose(tips[pose], at, atol=POSE_TOLERANCE)


def test_a_cloud_even_in_reach_covers_a_disc_evenly() -> None:
    """Share of points within half of the reach: 1/4 of the area of a disc. Source: geometry.

    Even in joint space a two-link arm of equal links is there with the chance 1/3: r = 2 l cos(q2/2).
    """
    arm = planar_arm(0.35, 0.35)
    share = {}
    for uniform in ("joints", "reach"):
        pose_set = Cloud("c", 1024, uniform).find(arm)  # type: ignore[arg-type]
        assert len(pose_set.names) == 1024
        share[uniform] = np.mean(
            np.linalg.norm(arm.postures(pose_set.configurations.joints).tool[:, :2, 3], axis=1) < 0.35
        )
    assert share["joints"] == pytest.approx(1 / 3, abs=0.01)
    assert share["reach"] == pytest.approx(1 / 4, abs=0.03)


def test_iso_poses_by_hand() -> None:
    """Cube of edge 1 about the origin, plane a: P2 to P5 are 0.8 of the way from the centre to the corners.

    The corners are (0.5, 0.5, 0.5), (0.5, -0.5, 0.5), (-0.5, -0.5, -0.5), (-0.5, 0.5, -0.5); a tenth of a diagonal
    from the corner is a fifth of the half diagonal. Source: ISO 9283:1998 6.8, from memory.
    """
    points = IsoPoses("i", plane="a").points(np.zeros(3), 1.0)
    np.testing.assert_allclose(points[0], 0.0)
    np.testing.assert_allclose(points[1:], [[0.4, 0.4, 0.4], [0.4, -0.4, 0.4], [-0.4, -0.4, -0.4], [-0.4, 0.4, -0.4]])
    diagonal = math.sqrt(3.0)
    assert np.linalg.norm(points[1] - [0.5, 0.5, 0.5]) == pytest.approx(0.1 * diagonal)
    for plane in "abcd":
        p = IsoPoses("i", plane=plane).points(np.zeros(3), 1.0)  # type: ignore[arg-type]
        assert np.linalg.matrix_rank(p[1:]) == 2
        np.testing.assert_allclose(np.abs(p[1:]), 0.4)


def test_the_largest_cube_is_reached() -> None:
    arm, _ = published_arm("Puma560")
    pose_set = IsoPoses("i", constraints=PoseConstraints(DOWN)).find(arm)
    assert pose_set.names == ("P1", "P2", "P3", "P4", "P5")
    assert not pose_set.unreachable
    assert pose_set.pairs == ((1, 3),)
    tips = arm.postures(pose_set.configurations.joints).tool[:, :3, 3]
    edge = np.abs(tips[1] - tips[0]).max() / 0.4
    assert 0.2 < edge < arm.reach


def test_a_circle_through_three_points() -> None:
    """Half the unit circle by its ends and its top: length pi. Source: geometry."""
    circle = circle_through((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (-1.0, 0.0, 0.0))
    assert circle is not None
    centre, radius, _, _, angle = circle
    np.testing.assert_allclose(centre, 0.0, atol=1e-15)
    assert (radius, angle) == (pytest.approx(1.0), pytest.approx(math.pi))
    assert circle_through((0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (2.0, 0.0, 0.0)) is None
    assert circle_through((1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 1.0, 0.0))[4] == pytest.approx(1.5 * math.pi)  # type: ignore[index]


def test_a_planar_arm_round_a_circle_in_closed_form() -> None:
    """Circle about the base: only the first joint moves, at v/r. Source: kinematics of a circular path."""
    arm = planar_arm(0.4, 0.3)
    r, v = 0.5, 0.2
    quarter = (r / math.sqrt(2), r / math.sqrt(2), 0.0)
    path = Path("p", 0.002, v, (Waypoint((r, 0.0, 0.0)), Waypoint((0.0, r, 0.0), quarter)))
    assert path.length == pytest.approx(r * math.pi / 2)
    pose_set = path.find(arm)
    configurations = pose_set.configurations
    assert pose_set.along is not None
    assert configurations.speeds is not None
    assert configurations.directions is not None
    assert configurations.tangents is not None
    np.testing.assert_allclose(configurations.speeds[:, 0], v / r, rtol=1e-5)
    np.testing.assert_allclose(configurations.speeds[:, 1], 0.0, atol=1e-6)
    np.testing.assert_allclose(configurations.joints[:, 0] - configurations.joints[0, 0], pose_set.along / r, atol=1e-8)
    elbow = 2 * math.pi - math.acos((0.4**2 + 0.3**2 - r**2) / (2 * 0.4 * 0.3))  # law of cosines
    np.testing.assert_allclose(np.cos(configurations.joints[:, 1]), np.cos(elbow - math.pi), atol=1e-9)
    assert (configurations.directions[:, 0] == 1).all()
    ahead = np.stack([-np.sin(pose_set.along / r + 0.002 / r), np.cos(pose_set.along / r)], axis=1)
    np.testing.assert_allclose(configurations.tangents[:, :2], ahead, atol=5e-3)


def test_a_path_that_jumps_between_branches_is_an_error() -> None:
    """A line through the base of a two-link arm of equal links: the first joint must turn by half a turn at once."""
    arm = planar_arm(0.35, 0.35)
    with pytest.raises(RunError, match=r"jumps from one posture to another|loses the path"):
        Path("p", 0.005, 0.1, (Waypoint((0.3, 0.0, 0.0)), Waypoint((-0.3, 1e-9, 0.0)))).find(arm)


def test_unreachable_points_of_a_path_are_named() -> None:
    arm = planar_arm(0.4, 0.3)
    pose_set = Path("p", 0.05, 0.1, (Waypoint((0.5, 0.0, 0.0)), Waypoint((0.8, 0.0, 0.0)))).find(arm)
    assert [point.name for point in pose_set.unreachable] == ["250 mm", "300 mm"]
    assert len(pose_set.names) == 5


def test_a_path_of_joint_positions() -> None:
    """Points along straight lines of joint space, never farther apart than a step. Source: forward kinematics."""
    arm = planar_arm(0.4, 0.3)
    pose_set = Path("p", 0.01, 0.1, joints=((0.0, 0.5), (1.0, 0.5), (0.5, 1.0))).find(arm)
    tips = arm.postures(pose_set.configurations.joints).tool[:, :3, 3]
    assert np.linalg.norm(np.diff(tips, axis=0), axis=1).max() < 0.0101
    assert pose_set.along is not None
    assert pose_set.configurations.directions is not None
    assert pose_set.along[-1] == pytest.approx(np.linalg.norm(np.diff(tips, axis=0), axis=1).sum())
    turned = np.flatnonzero(np.diff(pose_set.configurations.directions[:, 0]))
    assert len(turned) == 1
    assert pose_set.configurations.joints[turned[0] + 1, 0] == pytest.approx(
        1.0
    )  # it turns round at the second waypoint
    assert (
        pose_set.configurations.directions[: turned[0] + 1, 1] == 0
    ).all()  # until then the second joint has not moved


def test_a_joint_that_turns_while_the_tool_stands() -> None:
    """Joints move one after another; while only the last turns, about its own axis, the tool point stands.

    Directions stay those of the joints, speeds are finite, every point has a name of its own. Source: kinematics.
    """
    arm = planar_arm(0.4, 0.3, 0.0)  # the third joint turns the tool about its own point
    pose_set = Path("p", 0.02, 0.1, joints=((0.0, 0.5, 0.0), (0.3, 0.5, 0.0), (0.3, 0.5, 1.0), (0.3, 0.8, 1.0))).find(
        arm
    )
    configurations = pose_set.configurations
    assert len(set(pose_set.names)) == len(pose_set.names)
    assert configurations.speeds is not None
    assert configurations.directions is not None
    assert np.isfinite(configurations.speeds).all()
    assert (configurations.directions[:, 0] == 1).all()
    position = int(np.flatnonzero(configurations.joints[:, 2] == 1.0)[0])
    assert (configurations.directions[: position - 1, 1:] == 0).all()
    assert (configurations.directions[position:, 2] == 1).all()
    assert (configurations.directions[position:, 1] == 1).all()
    assert np.abs(configurations.speeds[1, 0]) == pytest.approx(
        0.1 / np.linalg.norm(arm.postures(configurations.joints[1]).tool[0, :2, 3]), rel=1e-3
    )


def test_a_path_out_and_back_with_a_free_tool_is_found_whole() -> None:
    """No point of a line that the arm can follow is lost. Source: the planar arm reaches everything up to its length."""
    arm = planar_arm(0.3, 0.3, 0.2)
    path = Path("p", 0.004, 0.1, (Waypoint((0.4, 0.0, 0.0)), Waypoint((0.7, 0.0, 0.0)), Waypoint((0.4, 0.1, 0.0))))
    pose_set = path.find(arm)
    assert not pose_set.unreachable


def test_waypoints_from_a_file(tmp_path: File) -> None:
    from armsim.documents.waypoints import read_waypoints
    from armsim.errors import InputError

    arm = planar_arm(0.4, 0.3)

    def read(text: str):  # type: ignore[no-untyped-def]
        file = tmp_path / "w.csv"
        file.write_text(text)
        return read_waypoints(file, arm)

    points, joints = read("x [mm], y [um], z [m]\n100,2000,0.3\n\n200,0,0\n")
    assert [p.xyz for p in points] == [pytest.approx((0.1, 0.002, 0.3)), pytest.approx((0.2, 0.0, 0.0))]
    points, joints = read("j2 [deg],j1 [rad]\n90,0.5\n45,0.25\n")
    assert joints == (pytest.approx((0.5, math.pi / 2)), pytest.approx((0.25, math.pi / 4)))
    points, joints = read("x [mm],y [mm],z [mm],roll [deg],pitch [deg],yaw [deg]\n1,2,3,180,0,0\n4,5,6,90,0,0\n")
    assert points[1].rpy == pytest.approx((math.pi / 2, 0.0, 0.0))
    for text, line, actual in (
        ("", 1, "empty"),
        ("x,y,z\n1,2,3\n", 1, "no unit"),
        ("x [mm],y [mm]\n1,2\n3,4\n", 1, "columns"),
        ("x [mm],y [mm],z [deg]\n1,2,3\n", 1, "not a unit of length"),
        ("x [mm],y [mm],w [mm]\n1,2,3\n", 1, "not a known column"),
        ("x [mm],x [mm],z [mm]\n1,2,3\n", 1, "two columns"),
        ("x [mm],y [mm],z [mm]\n1,2,3\n", 2, "1 waypoints"),
        ("x [mm],y [mm],z [mm]\n1,2,3\n1,2\n", 3, "2 values"),
        ("x [mm],y [mm],z [mm]\n1,2,3\n1,two,3\n", 3, "not a number"),
        ("x [mm],y [mm],z [mm]\n1,2,3\n1,nan,3\n", 3, "not a number"),
        ("x [mm],y [mm],z [mm]\n1,2,3\n1,2,3\n", 3, "twice in a row"),
        ("j1 [deg],j2 [deg]\n10,20\n400,20\n", 3, "outside the range"),
        ("j1 [deg],j2 [mm]\n10,20\n40,20\n", 1, "not a unit of angle"),
        ("j1 [deg],x [mm]\n10,20\n40,20\n", 1, "columns"),
    ):
        with pytest.raises(InputError) as caught:
            read(text)
        (problem,) = caught.value.problems
        assert problem.file.endswith("w.csv")
        assert problem.line == line, text
        assert actual in problem.actual, text
