"""Kinematics of published arms against roboticstoolbox (Denavit-Hartenberg) and pinocchio (URDF), to 1e-12."""

from pathlib import Path

import numpy as np
import pinocchio as pin
import pytest
from support import published_arm, robot_file

from armsim.core.screws import SERIES_LIMIT, displace_frames, displace_points
from armsim.documents.urdf import read_chain
from armsim.errormodel.terms import Axis
from armsim.model.arm import Arm, rotation
from armsim.sources import Source

MODELS = ["Puma560", "Stanford", "Panda", "KR5", "UR5", "LWR4", "Cobra600", "IRB140"]
"""Stanford and Cobra600 have a prismatic joint; Panda is in modified rows."""
URDF = [
    (("ur_description", "urdf", "ur5_robot.urdf"), "base_link", "tool0"),
    (("panda_description", "urdf", "panda.urdf"), "panda_link0", "panda_link8"),
    (("kinova_description", "robots", "kinova.urdf"), "j2s6s200_link_base", "j2s6s200_end_effector"),
    (("z1_description", "urdf", "z1.urdf"), "link00", "link06"),
]


def poses(arm: Arm, n: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).uniform(-1.5, 1.5, (n, len(arm.joints)))


@pytest.mark.parametrize("name", MODELS)
def test_forward_kinematics_and_jacobian_of_published_rows(name: str) -> None:
    """Source: roboticstoolbox.models.DH, fkine and jacob0."""
    arm, robot = published_arm(name)
    q = poses(arm, 50)
    tool_removed = np.linalg.inv(robot.tool.A)
    base_removed = np.linalg.inv(robot.base.A)
    reference = np.array([base_removed @ robot.fkine(row).A @ tool_removed for row in q])
    at = arm.postures(q)
    np.testing.assert_allclose(at.tool, reference, atol=1e-12)
    robot.tool = np.eye(4)
    robot.base = np.eye(4)
    for i, row in enumerate(q):
        jacobian = robot.jacob0(row)
        np.testing.assert_allclose(at.column[i].T, jacobian[:3], atol=1e-12)
        np.testing.assert_allclose((at.direction[i] * at.rotary[:, None]).T, jacobian[3:], atol=1e-12)


def test_tool_pose_is_a_pose_of_spatialmath() -> None:
    """Source: roboticstoolbox fkine, which gives the same class."""
    arm, robot = published_arm("UR5")
    q = poses(arm, 4)
    pose = arm.tool_pose(q)
    assert type(pose) is type(robot.fkine(q))
    np.testing.assert_allclose(np.array(pose.A), np.array(robot.fkine(q).A), atol=1e-12)


@pytest.mark.parametrize("name", MODELS)
def test_transform_sequence_for_inverse_kinematics_is_the_same_arm(name: str) -> None:
    arm, _ = published_arm(name)
    q = poses(arm, 5)
    np.testing.assert_allclose(arm.transforms.eval(q), arm.postures(q).tool, atol=1e-12)


def urdf_arm(parts: tuple[str, ...], base: str, tip: str) -> Arm:
    source = Source(Path("test.yaml"), {}, {}, "")
    joints, motions = read_chain(robot_file(*parts), base, tip, source, ())
    return Arm(parts[-1], joints, tuple(motions))


@pytest.mark.parametrize(("parts", "base", "tip"), URDF, ids=[u[0][-1] for u in URDF])
def test_urdf_chains(parts: tuple[str, ...], base: str, tip: str) -> None:
    """Source: pinocchio on the same file of example-robot-data."""
    arm = urdf_arm(parts, base, tip)
    model = pin.buildModelFromUrdf(str(robot_file(*parts)))
    data = model.createData()
    for row in poses(arm, 20):
        q = pin.neutral(model)
        for name, value in zip(arm.names, row, strict=True):
            joint = model.joints[model.getJointId(name)]
            if joint.nq == 2:  # continuous: cosine and sine
                q[joint.idx_q : joint.idx_q + 2] = np.cos(value), np.sin(value)
            else:
                q[joint.idx_q] = value
        pin.framesForwardKinematics(model, data, q)
        frames = [data.oMf[model.getFrameId(name)].homogeneous for name in (base, tip)]
        np.testing.assert_allclose(arm.postures(row).tool[0], np.linalg.inv(frames[0]) @ frames[1], atol=1e-12)


def displaced(arm: Arm, q: np.ndarray, errors: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    at = arm.postures(q)
    lanes = errors.shape[1]
    only, e, r = np.empty((3, lanes)), np.empty((3, lanes)), np.empty((4, lanes))
    displace_points(errors, at.direction[0], at.column[0], at.rotary, only, np.empty((2, lanes)))
    displace_frames(errors, at.direction[0], at.column[0], at.rotary, e, r, np.empty((2, lanes)))
    return only, e, r


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("size", [1e-6, 1e-3, SERIES_LIMIT * 0.99, 0.2, 2.0])
def test_displacement_kernels_are_exact(name: str, size: float) -> None:
    """Source: roboticstoolbox's compiled transform sequence at q and at q plus the errors."""
    arm, _ = published_arm(name)
    for seed in range(3):
        q = poses(arm, 1, seed)[0]
        errors = np.random.default_rng(seed).uniform(-size, size, (len(q), 300))
        position, e, r = displaced(arm, q, errors)
        reached = arm.transforms.eval(q + errors.T)
        nominal = arm.transforms.eval(q)[0] if arm.transforms.eval(q).ndim == 3 else arm.transforms.eval(q)
        np.testing.assert_allclose(position.T, reached[:, :3, 3] - nominal[:3, 3], atol=1e-12)
        np.testing.assert_allclose(e, position, atol=1e-14)
        turned = np.array([_matrix(quaternion) @ nominal[:3, :3] for quaternion in r.T])
        np.testing.assert_allclose(turned, reached[:, :3, :3], atol=1e-12)


def _matrix(quaternion: np.ndarray) -> np.ndarray:
    from scipy.spatial.transform import Rotation

    return Rotation.from_quat(quaternion).as_matrix()


def test_tiny_errors_keep_their_digits() -> None:
    """At 1e-12 rad first order is exact to 1e-12 of itself; a difference of two positions would keep four digits; second order is 1e-24 m."""
    arm, _ = published_arm("Puma560")
    q = poses(arm, 1)[0]
    errors = np.random.default_rng(0).uniform(-1e-12, 1e-12, (6, 50))
    position, _, r = displaced(arm, q, errors)
    np.testing.assert_allclose(position, arm.postures(q).column[0].T @ errors, rtol=1e-11, atol=1e-23)
    np.testing.assert_allclose(2 * r[:3], arm.postures(q).direction[0].T @ errors, rtol=1e-11, atol=1e-23)


@pytest.mark.parametrize("name", ["Puma560", "Panda", "Stanford"])
def test_link_parameters_are_axes_like_joints(name: str) -> None:
    """Source: brute force: the row with the changed parameter, rebuilt."""
    arm, _ = published_arm(name)
    q = poses(arm, 1)[0]
    nominal = arm.postures(q).tool[0]
    axes = [Axis(joint, parameter) for joint in arm.names for parameter in ("theta", "d", "a", "alpha")]
    at = arm.postures(q, axes)
    for number, axis in enumerate(axes):
        step = 1e-3
        motion = arm.motion_of(axis)
        changed = list(arm.motions)
        changed[motion] = type(changed[motion])(
            changed[motion].direction,
            changed[motion].rotary,
            changed[motion].value + step,
            changed[motion].axes,
            changed[motion].joint,
        )
        reached = Arm(arm.name, arm.joints, tuple(changed)).postures(q).tool[0]
        e, r = np.empty((3, 1)), np.empty((4, 1))
        one = slice(number, number + 1)
        displace_frames(
            np.array([[step]]), at.direction[0, one], at.column[0, one], at.rotary[one], e, r, np.empty((2, 1))
        )
        np.testing.assert_allclose(e[:, 0], reached[:3, 3] - nominal[:3, 3], atol=1e-12)
        if at.rotary[number]:
            np.testing.assert_allclose(
                rotation(at.direction[0, number], step)[0] @ nominal[:3, :3], reached[:3, :3], atol=1e-12
            )
