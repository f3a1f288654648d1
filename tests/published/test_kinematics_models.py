"""Kinematics of published arms against roboticstoolbox (Denavit-Hartenberg) and pinocchio (URDF), to 1e-12."""

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pinocchio as pin
import pytest
import roboticstoolbox as rtb
from spatialmath import SE3
from support import ROOT, displaced, published_arm, robot_file

import armsim
from armsim.core.kernel_digest import LANES
from armsim.core.screws import FRAME, SCREW, SERIES_LIMIT, Axes, apply_unit_errors, displace
from armsim.documents.urdf import read_chain
from armsim.errormodel.terms import Axis, Role
from armsim.errors import InputError
from armsim.model.arm import Arm
from armsim.model.gravity import STANDARD_GRAVITY, Masses, gravity_loads
from armsim.model.kinematics import rotation
from armsim.model.toolbox import transform_sequence
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


TOOLBOX = {
    "standard rows": lambda: rtb.models.DH.Puma560(),
    "standard rows with a prismatic joint": lambda: rtb.models.DH.Stanford(),
    "modified rows": lambda: rtb.models.DH.Panda(),
    "sequence": lambda: rtb.models.ETS.Panda(),
    "sequence of a robot description": lambda: rtb.models.URDF.Panda(),
    "flipped and prismatic": lambda: rtb.Robot(
        rtb.ET.tz(0.3)
        * rtb.ET.Rz()
        * rtb.ET.tx(0.4)
        * rtb.ET.tz(qlim=[0, 0.5])
        * rtb.ET.Ry(flip=True)
        * rtb.ET.Rx(0.3)
        * rtb.ET.tz(0.1)
    ),
}


@pytest.mark.parametrize("kind", TOOLBOX)
def test_a_robot_of_the_toolbox_and_back(kind: str) -> None:
    """Twenty random poses. Source: fkine of roboticstoolbox, with its base and its tool."""
    robot = TOOLBOX[kind]()
    robot.base, robot.tool = SE3(0.1, -0.2, 0.3) * SE3.RPY(0.1, 0.2, 0.3), SE3(0, 0.05, 0.1) * SE3.Rx(0.4)
    arm = Arm.from_robot(robot)
    assert len(arm.joints) == robot.n
    generator = np.random.default_rng(5)
    q = generator.uniform(-1.5, 1.5, (20, robot.n))
    expected = np.array([robot.fkine(row).A for row in q])
    np.testing.assert_allclose(arm.postures(q).tool, expected, atol=1e-12)
    again = arm.to_robot()
    np.testing.assert_allclose(np.array([again.fkine(row).A for row in q]), expected, atol=1e-12)
    for joint, lower, upper in zip(arm.joints, *np.atleast_2d(again.qlim), strict=True):
        if math.isfinite(joint.upper - joint.lower):
            assert (joint.lower, joint.upper) == pytest.approx((lower, upper))


def test_names_of_a_robots_joints() -> None:
    robot = rtb.models.DH.Puma560()
    assert Arm.from_robot(robot).names == ("j1", "j2", "j3", "j4", "j5", "j6")
    names = ["waist", "shoulder", "elbow", "a", "b", "c"]
    assert Arm.from_robot(robot, names).names == tuple(names)
    for wrong in (names[:5], [*names[:5], "waist"]):
        with pytest.raises(InputError, match="a different name for every joint"):
            Arm.from_robot(robot, wrong)


def test_tolerances_act_on_a_robot_of_the_toolbox() -> None:
    """Link parameters of rows, origins of sequences. Source: a finite difference of the perturbed chain."""
    for robot, parameter in ((rtb.models.DH.Puma560(), "alpha"), (rtb.models.ETS.Panda(), "yaw")):
        arm = Arm.from_robot(robot)
        axis, q = Axis("j3", parameter, Role.LINK), np.full((1, robot.n), 0.4)
        column = arm.postures(q, (axis,)).column[0, -1]
        step = 1e-6
        changed = replace(
            arm, motions=tuple(replace(m, value=m.value + step) if axis in m.axes else m for m in arm.motions)
        )
        np.testing.assert_allclose(
            (changed.postures(q).tool - arm.postures(q).tool)[0, :3, 3] / step, column, atol=1e-5
        )


def urdf_arm(parts: tuple[str, ...], base: str, tip: str) -> Arm:
    source = Source(Path("test.yaml"), {}, {}, "")
    joints, motions, _, _ = read_chain(robot_file(*parts), base, tip, source, ())
    return Arm(parts[-1], joints, tuple(motions))


@pytest.mark.parametrize(("parts", "base", "tip"), URDF, ids=[u[0][-1] for u in URDF])
def test_urdf_chains(parts: tuple[str, ...], base: str, tip: str) -> None:
    """Source: pinocchio on the same file of example-robot-data."""
    for tool, expected in urdf_tools(parts, base, tip):
        np.testing.assert_allclose(tool, expected, atol=1e-12)


def urdf_tools(parts: tuple[str, ...], base: str, tip: str) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Frames of the tool at twenty poses, ours and those of pinocchio."""
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
        yield arm.postures(row).tool[0], np.linalg.inv(frames[0]) @ frames[1]


def displaced_at(arm: Arm, q: np.ndarray, errors: np.ndarray, moving: list[int]) -> tuple[np.ndarray, np.ndarray]:
    """Displacement and quaternion of the rotation, the errors of some joints those of a visit, of the others kept."""
    at = arm.postures(q)
    out = displaced(errors, Axes(at.direction[0], at.column[0], at.rotary), np.array(moving, dtype=np.int64))
    return out[:3], out[3:]


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("size", [1e-6, 1e-3, SERIES_LIMIT * 0.99, 0.2, 2.0])
def test_displacement_kernels_are_exact(name: str, size: float) -> None:
    """Source: roboticstoolbox's compiled transform sequence at q and at q plus the errors."""
    arm, _ = published_arm(name)
    for seed in range(3):
        q = poses(arm, 1, seed)[0]
        errors = np.random.default_rng(seed).uniform(-size, size, (len(q), 300))
        reached = transform_sequence(arm).eval(q + errors.T)
        nominal = (
            transform_sequence(arm).eval(q)[0]
            if transform_sequence(arm).eval(q).ndim == 3
            else transform_sequence(arm).eval(q)
        )
        every = list(range(len(q)))
        for moving in (every, [], every[::2], every[1::2], every[-1:]):
            e, r = displaced_at(arm, q, errors, moving)
            np.testing.assert_allclose(e.T, reached[:, :3, 3] - nominal[:3, 3], atol=1e-12)
            turned = np.array([_matrix(quaternion) @ nominal[:3, :3] for quaternion in r.T])
            np.testing.assert_allclose(turned, reached[:, :3, :3], atol=1e-12)


@pytest.mark.parametrize("name", MODELS)
def test_a_visit_comes_on_top_of_what_the_unit_keeps(name: str) -> None:
    """Both on the same axes, as of most joints. Source: roboticstoolbox's compiled transform sequence at the sum."""
    arm, _ = published_arm(name)
    at, q = arm.postures(poses(arm, 1)[0]), poses(arm, 1)[0]
    axes = Axes(at.direction[0], at.column[0], at.rotary)
    rng = np.random.default_rng(1)
    constant, visit = rng.uniform(-0.05, 0.05, (2, len(q), LANES))
    moving = np.arange(len(q))
    screws, frame, half = np.empty((len(q), SCREW * LANES)), np.empty(FRAME * LANES), np.empty(2 * LANES)
    apply_unit_errors(constant, axes, moving, screws, frame, half)
    displace(visit[:, None].copy(), 0, screws, axes.rotary, frame, half)
    reached = transform_sequence(arm).eval(q + constant.T + visit.T)
    e = frame.reshape(FRAME, LANES)
    np.testing.assert_allclose(e[:3].T, reached[:, :3, 3] - at.tool[0, :3, 3], atol=1e-12)
    turned = np.array([_matrix(quaternion) @ at.tool[0, :3, :3] for quaternion in e[3:].T])
    np.testing.assert_allclose(turned, reached[:, :3, :3], atol=1e-12)


def _matrix(quaternion: np.ndarray) -> np.ndarray:
    from scipy.spatial.transform import Rotation

    return Rotation.from_quat(quaternion).as_matrix()


def test_tiny_errors_keep_their_digits() -> None:
    """At 1e-12 rad first order is exact to 1e-12 of itself; a difference of two positions would keep four digits; second order is 1e-24 m."""
    arm, _ = published_arm("Puma560")
    q = poses(arm, 1)[0]
    errors = np.random.default_rng(0).uniform(-1e-12, 1e-12, (6, 50))
    for moving in ([0, 1, 2, 3, 4, 5], [], [1, 4]):
        position, r = displaced_at(arm, q, errors, moving)
        np.testing.assert_allclose(position, arm.postures(q).column[0].T @ errors, rtol=1e-11, atol=1e-23)
        np.testing.assert_allclose(2 * r[:3], arm.postures(q).direction[0].T @ errors, rtol=1e-11, atol=1e-23)


@pytest.mark.parametrize("name", ["Puma560", "Panda", "Stanford"])
def test_link_parameters_are_axes_like_joints(name: str) -> None:
    """Source: brute force: the row with the changed parameter, rebuilt."""
    arm, _ = published_arm(name)
    q = poses(arm, 1)[0]
    nominal = arm.postures(q).tool[0]
    axes = [Axis(joint, parameter, Role.LINK) for joint in arm.names for parameter in ("theta", "d", "a", "alpha")]
    at = arm.postures(q, axes)
    for number, axis in enumerate(axes):
        step = 1e-3
        motion = arm.motion_index(axis)
        changed = list(arm.motions)
        changed[motion] = type(changed[motion])(
            changed[motion].direction,
            changed[motion].rotary,
            changed[motion].value + step,
            changed[motion].axes,
            changed[motion].joint,
        )
        reached = Arm(arm.name, arm.joints, tuple(changed)).postures(q).tool[0]
        one = slice(number, number + 1)
        result_value = Axes(at.direction[0, one], at.column[0, one], at.rotary[one])
        e = displaced(np.array([[step]]), result_value, np.arange(number % 2))  # kept and of a visit in turn
        np.testing.assert_allclose(e[:3, 0], reached[:3, 3] - nominal[:3, 3], atol=1e-12)
        if at.rotary[number]:
            np.testing.assert_allclose(
                rotation(at.direction[0, number], step)[0] @ nominal[:3, :3], reached[:3, :3], atol=1e-12
            )


def test_a_study_with_an_arm_of_the_toolbox() -> None:
    """The sensors of a scenario on an arm that somebody modelled before; names of joints must be the same."""
    study = armsim.load(ROOT / "scenarios" / "bonding-cell.yaml").with_plan(units=20, visits=2)
    study = study.with_scenario(tasks=study.scenario.tasks[:1])
    robot = study.scenario.machine.arm.to_robot()
    names = study.scenario.machine.arm.names
    same = study.with_arm(armsim.Arm.from_robot(robot, names)).run()
    plain = study.run()
    for one, other in zip(plain.tasks[0].poses, same.tasks[0].poses, strict=True):
        assert other.position == pytest.approx(one.position, abs=1e-9)
    with pytest.raises(InputError, match="joints"):
        study.with_arm(armsim.Arm.from_robot(robot, list("abcdef")))


@pytest.mark.parametrize(("parts", "base", "tip"), URDF, ids=[u[0][-1] for u in URDF])
def test_masses_of_a_urdf_load_the_joints_as_in_pinocchio(parts: tuple[str, ...], base: str, tip: str) -> None:
    """Generalised gravity of pinocchio, joints beyond the chain (fingers) standing at zero."""
    source = Source(Path("arm.yaml"), {}, {}, "")
    joints, motions, _, masses = read_chain(robot_file(*parts), base, tip, source, ())
    arm = Arm(parts[-1], joints, tuple(motions))
    full = pin.buildModelFromUrdf(str(robot_file(*parts)))
    extra = [full.getJointId(n) for n in full.names if n != "universe" and n not in arm.names]
    model = pin.buildReducedModel(full, extra, pin.neutral(full)) if extra else full
    data, rng = model.createData(), np.random.default_rng(7)
    assert masses
    for _ in range(10):
        q = rng.uniform(-1.5, 1.5, len(arm.joints))
        by_pin = pin.neutral(model)
        for name, value in zip(arm.names, q.tolist(), strict=True):
            joint = model.joints[model.getJointId(name)]
            by_pin[joint.idx_q : joint.idx_q + joint.nq] = [value] if joint.nq == 1 else [np.cos(value), np.sin(value)]
        cached = pin.computeGeneralizedGravity(model, data, by_pin) * STANDARD_GRAVITY / 9.81
        expected = [-cached[model.joints[model.getJointId(name)].idx_v] for name in arm.names]
        loads = gravity_loads(arm, Masses(masses), q[None])[0]
        np.testing.assert_allclose(loads, expected, atol=1e-9)
