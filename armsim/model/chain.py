"""Link conventions (Denavit-Hartenberg, URDF) expressed as elementary transforms.

References
----------
.. [1] Denavit, Hartenberg, J. Appl. Mech. 22 (1955) 215: standard rows, Rz(theta) Tz(d) Tx(a) Rx(alpha).
.. [2] Craig, Introduction to Robotics (1986), ch. 3: modified rows, Rx(alpha) Tx(a) Rz(theta) Tz(d).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from armsim.causes import link_parameter
from armsim.errormodel.distributions import NONE, Distribution
from armsim.errormodel.terms import Axis, Role
from armsim.field_spec import Key, declared_fields, key
from armsim.model.kinematics import ElementaryTransform, X, Y, Z
from armsim.physics import link_tolerances

TOOL = "tool"
"""Name of the tool frame as the owner of errors."""


def _tolerance(kind: str, parameter: str) -> Distribution:
    tolerance: Distribution = key(
        NONE, kind, f"tolerance of the link parameter {parameter}", cause=link_parameter(parameter),
        effect="a constant of the link", physics=link_tolerances.link_tolerance,
    )  # fmt: skip
    return tolerance


@dataclass(frozen=True)
class RowTolerances:
    """Tolerances of the link parameters of Denavit-Hartenberg rows."""

    theta: Distribution = _tolerance("angle", "theta")
    d: Distribution = _tolerance("length", "d")
    a: Distribution = _tolerance("length", "a")
    alpha: Distribution = _tolerance("angle", "alpha")


@dataclass(frozen=True)
class OriginTolerances:
    """Tolerances of the origins of URDF joints."""

    x: Distribution = _tolerance("length", "x")
    y: Distribution = _tolerance("length", "y")
    z: Distribution = _tolerance("length", "z")
    yaw: Distribution = _tolerance("angle", "yaw")
    pitch: Distribution = _tolerance("angle", "pitch")
    roll: Distribution = _tolerance("angle", "roll")


def tolerance_key(parameter: str) -> Key:
    """Declaration of the tolerance of a link parameter of any convention."""
    fields = (*declared_fields(RowTolerances), *declared_fields(OriginTolerances))
    return next(field.key for field in fields if field.name == parameter)


def denavit_hartenberg(
    number: int,
    name: str,
    revolute: bool,
    theta: float,
    d: float,
    a: float,
    alpha: float,
    modified: bool = False,
) -> tuple[ElementaryTransform, ...]:
    """Elementary transforms of one Denavit-Hartenberg row.

    Parameters
    ----------
    number, name : int, str
        Number and name of the joint.
    revolute : bool
        The joint variable is added to theta of a revolute joint and to d of a prismatic joint.
    theta, alpha : float [rad]
    d, a : float [m]
    modified : bool
        Modified rows [2] in place of standard ones [1].

    Returns
    -------
    tuple of ElementaryTransform
    """

    def axes(parameter: str) -> tuple[Axis, ...]:
        motion = (Axis(name),) if parameter == ("theta" if revolute else "d") else ()
        return (*motion, Axis(name, parameter, Role.LINK))

    turn = ElementaryTransform(Z, True, theta, axes("theta"), number if revolute else None)
    shift = ElementaryTransform(Z, False, d, axes("d"), None if revolute else number)
    length = ElementaryTransform(X, False, a, axes("a"))
    twist = ElementaryTransform(X, True, alpha, axes("alpha"))
    return (twist, length, turn, shift) if modified else (turn, shift, length, twist)


def fixed_transforms(
    xyz: Sequence[float], rpy: Sequence[float], name: str | None = None, role: Role = Role.FRAME
) -> tuple[ElementaryTransform, ...]:
    """Elementary transforms of a fixed frame: shift by xyz [m], then roll, pitch, yaw about fixed x, y, z [rad].

    With a name, errors can act on each of the six under the names of `OriginTolerances`. ``role`` says whether they are
    errors of a fixed frame or of the link that follows the joint of that name.

    Parameters
    ----------
    xyz : (3,) [m]
    rpy : (3,) [rad]
    name : str, optional
        Name of the frame; a frame without a name has no tolerances.
    role : Role

    Returns
    -------
    tuple of ElementaryTransform

    References
    ----------
    .. [1] URDF, element origin: rpy are rotations about fixed axes, roll first.
    """

    def axes(parameter: str) -> tuple[Axis, ...]:
        return (Axis(name, parameter, role),) if name else ()

    x, y, z = xyz
    roll, pitch, yaw = rpy
    return (
        ElementaryTransform(X, False, x, axes("x")),
        ElementaryTransform(Y, False, y, axes("y")),
        ElementaryTransform(Z, False, z, axes("z")),
        ElementaryTransform(Z, True, yaw, axes("yaw")),
        ElementaryTransform(Y, True, pitch, axes("pitch")),
        ElementaryTransform(X, True, roll, axes("roll")),
    )
