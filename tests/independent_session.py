"""Sessions of invented arms that pinocchio and a few lines of geometry simulate, without any term of the product.

Every arm is of Denavit-Hartenberg rows whose four constants err, with lost motion of its gears from a side at random at
every visit, and grows with its temperature; a tracker stands metres away, reads a target somewhere on the tool, with
its scale off, and a probe reads the orientation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from pathlib import Path

import measured_arm
import numpy as np
import pinocchio as pin
from scipy.spatial.transform import Rotation

import armsim
from armsim.documents.measured_points import MeasuredArm
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.terms import Axis, Role
from armsim.model.arm import Arm
from armsim.model.calibration_plan import Calibration, Identified, Instrument
from armsim.model.chain import denavit_hartenberg, fixed_transforms
from armsim.model.encoder import Encoder, SheetSummary
from armsim.model.joint import Joint
from armsim.model.kinematics import ArmJoint
from armsim.model.machine import Environment, Machine
from armsim.model.transmission import Transmission
from armsim.study import Study
from armsim.tasks import NamedPose, Poses

Row = tuple[bool, float, float, float]
QUARTER = math.pi / 2
ARMS: dict[str, tuple[Row, ...]] = {
    "six": (
        (True, 0.30, 0.06, -QUARTER), (True, 0.0, 0.40, 0.03), (True, 0.0, 0.05, -QUARTER),
        (True, 0.36, 0.0, QUARTER), (True, 0.0, 0.02, -QUARTER), (True, 0.10, 0.03, 0.2),
    ),
    "seven": (
        (True, 0.34, 0.0, -QUARTER), (True, 0.0, 0.0, QUARTER), (True, 0.40, 0.0, QUARTER), (True, 0.0, 0.0, -QUARTER),
        (True, 0.40, 0.0, -QUARTER), (True, 0.0, 0.0, QUARTER), (True, 0.13, 0.05, 0.0),
    ),
    "scara": ((True, 0.25, 0.30, 0.0), (True, 0.0, 0.25, math.pi), (False, 0.0, 0.0, 0.0), (True, 0.05, 0.04, 0.0)),
}  # fmt: skip
"""Revolute or not, d [m], a [m], alpha [rad] of invented arms: six axes with an offset wrist, seven, a SCARA with a
quill."""
SIZES = {"theta": 0.2e-3, "d": 0.1e-3, "a": 0.1e-3, "alpha": 0.2e-3}
"""Standard deviation of the constants of the rows. [rad or m]"""
LOST = 60e-6
"""Lost motion of every gear. [rad]"""
EXPANSION = 12e-6
"""Of all lengths. [1/K]"""
REACH = 0.12
"""Travel of a quill. [m]"""
OFFSET = (0.01, 0.03, 0.05)
"""Where the target is said to sit on the tool. [m]"""


def machine(kind: str) -> Machine:
    """The arm as a scenario states it."""
    motions, joints, parts, tolerances = [], [], [], []
    for n, (turning, d, a, alpha) in enumerate(ARMS[kind]):
        name = f"j{n + 1}"
        motions += denavit_hartenberg(n, name, turning, 0.0, d, a, alpha)
        low, high = (-math.pi, math.pi) if turning else (0.0, REACH)
        joints.append(ArmJoint(name, turning, low, high))
        if turning:
            gear = Transmission(ratio=100.0, lost_motion=LOST)
            parts.append(Joint(name, Encoder("e", summary=SheetSummary(60.0)), placement="motor", transmission=gear))
        else:
            scale = Encoder("e", measures="translation", summary=SheetSummary(1e-12))
            parts.append(Joint(name, scale, travel=REACH, farthest=REACH))
        tolerances += [
            (Axis(name, parameter, Role.LINK), Distribution("normal", size)) for parameter, size in SIZES.items()
        ]
    motions += fixed_transforms((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), "tool")
    arm = Arm(kind, tuple(joints), tuple(motions))
    return Machine(arm, tuple(parts), tuple(tolerances), environment=Environment(None, EXPANSION))


@dataclass(frozen=True)
class Hidden:
    """How arms and instrument are other than stated: factors on the spread of links and on lost motion, the latter of
    one joint alone where its number is given; by how much lengths are read too large."""

    links: float = 1.0
    lost: float = 1.0
    scale: float = 0.0
    joint: int | None = None

    def factors(self, joints: int) -> np.ndarray:
        """Of the lost motion of every joint."""
        return np.array([self.lost if self.joint in (None, n) else 1.0 for n in range(joints)])


@dataclass(frozen=True, eq=False)
class Session:
    """What is read.

    Parameters
    ----------
    kind : str
        Arm.
    joints : (M, joints)
    visits : int
        Readings of every pose.
    sessions : int
        Among which the poses are shared in turn, each with a frame and a target of its own.
    frame : bool
        Whether the instrument stands metres away, turned, the target elsewhere on the tool.
    std : float [m]
        Of readings; where they state uncertainties of their own, half to twice of it.
    weighted : bool
    angular_std : float [rad]
        Of orientations; none are read where zero.
    temperatures : pair of float, optional [K]
        Between which the arm warms up, pose by pose.
    scale : bool
        Whether the scale of the instrument is to be identified.
    hidden : Hidden
    """

    kind: str
    joints: np.ndarray
    visits: int = 3
    sessions: int = 1
    frame: bool = False
    std: float = 20e-6
    weighted: bool = False
    angular_std: float = 0.0
    temperatures: tuple[float, float] | None = None
    scale: bool = False
    hidden: Hidden = field(default_factory=Hidden)

    @property
    def instrument(self) -> Instrument:
        """As a scenario states it."""
        fitted = "identified" if self.frame else "known"
        return Instrument(
            (self.std,) * 3, pose=fitted, target=fitted, scale="identified" if self.scale else "known",
            angular_std=self.angular_std, target_offset=OFFSET,
        )  # fmt: skip

    @property
    def study(self) -> Study:
        """The scenario."""
        task = Poses("measured", tuple(NamedPose(f"m{n}", tuple(q)) for n, q in enumerate(self.joints.tolist())))
        identify = Identified(False, True)
        return armsim.load(measured_arm.SCENARIO).with_scenario(
            machine=machine(self.kind), tasks=(task,), calibration=Calibration(self.instrument, identify=identify)
        )

    def rows(self, rng: np.random.Generator) -> np.ndarray:
        """Errors of the constants of an arm: theta, d, a, alpha, shape (joints, 4)."""
        return rng.normal(0.0, self.hidden.links * np.array(list(SIZES.values())), (len(ARMS[self.kind]), 4))

    def read(self, seed: int) -> tuple[MeasuredArm, np.ndarray]:
        """Readings of an arm, and the errors of its rows."""
        rng = np.random.default_rng(seed)
        off = self.rows(rng)
        frames = [self._station(rng) for _ in range(self.sessions)]
        arm = MeasuredArm("a", {}, {})
        line = 2
        for n, q in enumerate(self.joints):
            session = n % self.sessions
            label = f"m{n}"
            kelvin = 0.0 if self.temperatures is None else self._temperature(n) - 293.15
            turn, shift, seat, target = frames[session]
            points, rotations, sizes = [], [], []
            for _ in range(self.visits):
                sides = rng.choice([-0.5, 0.5], len(q)) * self.hidden.factors(len(q)) * LOST
                sides *= [row[0] for row in ARMS[self.kind]]
                rotation, position = forward(self.kind, off, q + sides, 1.0 + EXPANSION * kelvin)
                u = self.std * (np.exp(rng.uniform(-0.7, 0.7, 3)) if self.weighted else np.ones(3))
                point = turn @ (position + rotation @ target) * (1.0 + self.hidden.scale) + shift
                points.append(point + rng.normal(0.0, u))
                sizes.append(u)
                wobble = Rotation.from_rotvec(rng.normal(0.0, max(self.angular_std, 1e-12), 3)).as_matrix()
                rotations.append(turn @ wobble @ rotation @ seat)
            nominal, place = forward(self.kind, np.zeros((len(q), 4)), q, 1.0)
            commanded = place + nominal @ np.array(OFFSET)
            arm.points[label] = np.array(points)
            arm.visits[label] = np.array(points) - commanded
            arm.joints[label] = q
            arm.lines[label] = tuple(range(line, line + self.visits))
            line += self.visits
            if self.sessions > 1:
                arm.sessions[label] = f"s{session}"
            if self.temperatures is not None:
                arm.temperatures[label] = np.full(self.visits, 293.15 + kelvin)
            if self.weighted:
                arm.uncertainties[label] = np.array(sizes)
            if self.angular_std:
                arm.rotations[label] = np.array(rotations)
        return arm, off

    def stations(self, seed: int) -> list[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]]:
        """Turn and shift of the instrument, how a probe sits on the tool, place of the target on the tool, by session."""
        rng = np.random.default_rng(seed)
        self.rows(rng)
        return [self._station(rng) for _ in range(self.sessions)]

    def _temperature(self, pose: int) -> float:
        """Of the arm at a pose: it warms up over the session. [K]"""
        assert self.temperatures is not None
        low, high = self.temperatures
        return low + (high - low) * pose / len(self.joints)

    def _station(self, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """As in `stations`, of one session."""
        if not self.frame:
            return np.eye(3), np.zeros(3), np.eye(3), np.array(OFFSET)
        turn, seat = Rotation.random(random_state=rng), Rotation.random(random_state=rng)
        return turn.as_matrix(), rng.normal(0.0, 2.0, 3), seat.as_matrix(), np.array([0.02, 0.05, 0.04])


def forward(kind: str, off: np.ndarray, q: np.ndarray, growth: float) -> tuple[np.ndarray, np.ndarray]:
    """Rotation and position of the tool by pinocchio, with errors of the rows; lengths grow, the scale of a quill not."""
    model, parent, placement = pin.Model(), 0, pin.SE3.Identity()
    values = []
    for n, ((turning, d, a, alpha), (theta, d_off, a_off, alpha_off)) in enumerate(zip(ARMS[kind], off, strict=True)):
        joint = pin.JointModelRZ() if turning else pin.JointModelPZ()
        if not turning:
            placement = placement * pin.SE3(pin.utils.rotate("z", float(theta)), np.zeros(3))
        parent = model.addJoint(parent, joint, placement, f"j{n + 1}")
        shift = np.array([a * growth + a_off, 0.0, d * (growth if turning else 1.0) + d_off])
        placement = pin.SE3(pin.utils.rotate("x", float(alpha + alpha_off)), shift)
        values.append(q[n] + (theta if turning else 0.0))
    data = model.createData()
    pin.forwardKinematics(model, data, np.array(values))
    tool = data.oMi[model.njoints - 1] * placement
    return np.asarray(tool.rotation), np.asarray(tool.translation)


def spots(kind: str, poses: int, seed: int = 1) -> np.ndarray:
    """Joint positions spread over the ranges."""
    arm, rng = machine(kind).arm, np.random.default_rng(seed)
    low, high = np.array([[joint.lower, joint.upper] for joint in arm.joints]).T
    return np.asarray(low + (0.1 + 0.8 * rng.random((poses, len(low)))) * (high - low))


def written(session: Session, arms: dict[str, MeasuredArm], path: Path) -> Path:
    """The readings as the instrument exports them."""
    head = ["arm", "pose", *(f"{axis} [mm]" for axis in "xyz")]
    head += ["session"] * (session.sessions > 1) + ["temperature [degC]"] * (session.temperatures is not None)
    head += [f"U95 {axis} [um]" for axis in "xyz"] * session.weighted
    head += ["qw", "qx", "qy", "qz"] * bool(session.angular_std)
    lines = [",".join(head)]
    for name, arm in arms.items():
        for pose, points in arm.points.items():
            for n, point in enumerate(points):
                cells = [name, pose, *(f"{1e3 * value:.6f}" for value in point)]
                cells += [arm.sessions[pose]] if arm.sessions else []
                cells += [f"{arm.temperatures[pose][n] - 273.15:.6f}"] if arm.temperatures else []
                cells += [f"{2e6 * u:.6f}" for u in arm.uncertainties[pose][n]] if arm.uncertainties else []
                if arm.rotations:
                    x, y, z, w = Rotation.from_matrix(arm.rotations[pose][n]).as_quat()
                    cells += [f"{value:.9f}" for value in (w, x, y, z)]
                lines.append(",".join(cells))
    path.write_text("\n".join(lines) + "\n")
    return path


__all__ = ["ARMS", "Hidden", "Session", "forward", "machine", "replace", "spots", "written"]
