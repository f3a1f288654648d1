"""Conventions: how a row of link parameters becomes elementary motions.

References
----------
.. [1] Denavit, Hartenberg, J. Appl. Mech. 22 (1955) 215: standard rows, Rz(theta) Tz(d) Tx(a) Rx(alpha).
.. [2] Craig, Introduction to Robotics (1986), ch. 3: modified rows, Rx(alpha) Tx(a) Rz(theta) Tz(d).
"""

from __future__ import annotations

from collections.abc import Sequence

from armsim.model.arm import Motion, X, Y, Z
from armsim.terms import Axis

DH_PARAMETERS = ("theta", "d", "a", "alpha")
TOOL = "tool"
"""Name under which errors act on the tool frame."""
ORIGIN_PARAMETERS = ("x", "y", "z", "yaw", "pitch", "roll")


def denavit_hartenberg(
    number: int,
    name: str,
    revolute: bool,
    theta: float,
    d: float,
    a: float,
    alpha: float,
    modified: bool = False,
) -> tuple[Motion, ...]:
    """Motions of one row.

    Parameters
    ----------
    number, name : int, str
        Of the joint.
    revolute : bool
        The joint variable is added to theta if so, to d if not.
    theta, alpha : float [rad]
    d, a : float [m]
    modified : bool
        Modified rows [2] in place of standard ones [1].
    """

    def axes(parameter: str) -> tuple[Axis, ...]:
        own = (Axis(name),) if parameter == ("theta" if revolute else "d") else ()
        return (*own, Axis(name, parameter))

    turn = Motion(Z, True, theta, axes("theta"), number if revolute else None)
    shift = Motion(Z, False, d, axes("d"), None if revolute else number)
    length = Motion(X, False, a, axes("a"))
    twist = Motion(X, True, alpha, axes("alpha"))
    return (twist, length, turn, shift) if modified else (turn, shift, length, twist)


def placed(xyz: Sequence[float], rpy: Sequence[float], name: str | None = None) -> tuple[Motion, ...]:
    """Motions of a fixed frame: shift by xyz [m], then turn by roll, pitch, yaw about fixed x, y, z [rad].

    With a joint's name, errors can act on every one of the six under the names of `ORIGIN_PARAMETERS`.

    References
    ----------
    .. [1] URDF, element origin: rpy are rotations about fixed axes, roll first.
    """

    def axes(parameter: str) -> tuple[Axis, ...]:
        return (Axis(name, parameter),) if name else ()

    x, y, z = xyz
    roll, pitch, yaw = rpy
    return (
        Motion(X, False, x, axes("x")),
        Motion(Y, False, y, axes("y")),
        Motion(Z, False, z, axes("z")),
        Motion(Z, True, yaw, axes("yaw")),
        Motion(Y, True, pitch, axes("pitch")),
        Motion(X, True, roll, axes("roll")),
    )
