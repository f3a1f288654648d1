"""Robots that roboticstoolbox holds by name, as the kinematics and masses of an arm document.

References
----------
.. [1] Corke, Haviland, "Not your grandmother's toolbox: the Robotics Toolbox reinvented for Python", ICRA 2021, 11357.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from armsim.documents.units import LARGEST_BY_KIND
from armsim.model.gravity import Mass
from armsim.model.kinematics import roll_pitch_yaw
from armsim.sources import KeyPath, Source


@dataclass(frozen=True)
class ToolboxArm:
    """A robot of roboticstoolbox as parts of an arm document.

    Parameters
    ----------
    kinematics : dict
        Rows, base and tool, as the key ``kinematics`` of an arm document states them.
    masses : dict of joint to Mass
        Without links of no mass; none where a centre lies outside the arm.
    """

    kinematics: dict[str, Any]
    masses: dict[str, Mass]


def toolbox_arm(name: str, source: Source, key_path: KeyPath) -> ToolboxArm:
    """Robot of a name, from the models of roboticstoolbox in rows of Denavit and Hartenberg.

    Parameters
    ----------
    name : str
        Class of the model, such as Puma560.
    source, key_path : Source, key path
        Place of the name, for error messages.

    Returns
    -------
    ToolboxArm

    Raises
    ------
    InputError
        No model of that name.
    """
    import roboticstoolbox as rtb

    models = {
        word: model for word, model in vars(rtb.models.DH).items() if isinstance(model, type) and word[:1].isupper()
    }
    if name not in models:
        raise source.error(key_path, f"roboticstoolbox holds no model {name!r}", ", ".join(sorted(models)))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        robot = models[name]()
    modified = bool(robot.links[0].mdh)
    twists = _twists([bool(link.isflip) for link in robot.links], modified)
    rows = [_row(f"j{number}", link, twists[number]) for number, link in enumerate(robot.links, start=1)]
    half_turn = np.diag([1.0, -1.0, -1.0, 1.0])
    kinematics = {
        "convention": "modified-dh" if modified else "standard-dh",
        "joints": rows,
        "base": _frame(robot.base.A @ half_turn if twists[0] else robot.base.A),
        "tool": _frame(half_turn @ robot.tool.A if twists[-1] else robot.tool.A),
    }
    return ToolboxArm(kinematics, _masses(robot, np.cumsum(twists)[1:-1] != 0.0))


def _twists(flips: list[bool], modified: bool) -> list[float]:
    """Angles that turn the axes of joints that move against theirs, added to alpha: of base, every row, tool. [rad]

    Rz(offset - q) Tz(d) = Rx(pi) Rz(q - offset) Tz(-d) Rx(-pi).
    """
    out = [0.0] * (len(flips) + 2)
    for number, flip in enumerate(flips, start=1):
        if flip:
            out[number if modified else number - 1] += math.pi
            out[number + 1 if modified else number] -= math.pi
    return out


def _row(name: str, link: Any, twist: float) -> dict[str, Any]:
    """Row of a link with a twist added; the travel of a slide is one metre where not stated."""
    ends = None if link.qlim is None else [float(end) for end in link.qlim]
    sign = -1.0 if link.isflip else 1.0
    common = {"a": f"{float(link.a)!r} m", "alpha": f"{float(link.alpha) + twist!r} rad"}
    angle, length = sign * float(link.offset if link.isrevolute else link.theta), float(link.d or 0.0)
    if link.isrevolute:
        row = {"name": name, "type": "revolute", "d": f"{sign * length!r} m", **common, "offset": f"{angle!r} rad"}
        return row if ends is None else {**row, "range": [f"{end!r} rad" for end in ends]}
    ends = ends or [0.0, 1.0]
    return {"name": name, "type": "prismatic", "theta": f"{angle!r} rad", **common,
            "offset": f"{sign * float(link.offset)!r} m", "range": [f"{end!r} m" for end in ends]}  # fmt: skip


def _frame(matrix: Any) -> dict[str, list[str]]:
    """A fixed frame of shape (4, 4) as shift, and roll, pitch, yaw about fixed axes."""
    shift = [f"{float(value)!r} m" for value in np.asarray(matrix)[:3, 3]]
    return {"xyz": shift, "rpy": [f"{angle!r} rad" for angle in roll_pitch_yaw(np.asarray(matrix))]}


def _masses(robot: Any, flipped: NDArray[np.bool_]) -> dict[str, Mass]:
    """Masses of the links, centres turned where their frame is.

    None where the library states a centre outside the arm, as of one that mixes its units.
    """
    lengths = [abs(float(value)) for link in robot.links for value in (link.a, link.d) if math.isfinite(value)]
    slides = [link.qlim for link in robot.links if not link.isrevolute and link.qlim is not None]
    reach = sum(lengths) + sum(float(np.abs(ends).max()) for ends in slides)
    masses: dict[str, Mass] = {}
    for number, link in enumerate(robot.links, start=1):
        centre, mass = np.asarray(link.r, dtype=float).ravel(), float(link.m)
        if not (
            np.isfinite(centre).all()
            and np.linalg.norm(centre) <= max(reach, 1.0)
            and 0 <= mass <= LARGEST_BY_KIND["mass"]
        ):
            return {}
        if flipped[number - 1]:
            centre = centre * (1.0, -1.0, -1.0)
        if mass:
            masses[f"j{number}"] = Mass(mass, (float(centre[0]), float(centre[1]), float(centre[2])))
    return masses
