"""The machine as an instrument sees it: frames of the instrument before the base, and targets on the tool."""

from __future__ import annotations

from dataclasses import dataclass, replace

from armsim.errormodel.distributions import Distribution
from armsim.errormodel.terms import Axis, Role
from armsim.model.calibration_plan import Instrument
from armsim.model.chain import fixed_transforms
from armsim.model.kinematics import ElementaryTransform, X
from armsim.model.machine import Machine

INSTRUMENT, TARGET, SCALE = "instrument", "target", "scale"
"""Names of the errors of the instrument pose and of the target position in the first session; the names of further
sessions end in their number. The scale of the instrument is the same in all sessions."""
ORIGIN = (0.0, 0.0, 0.0)
REGISTRATION_STD = {"length": 1e-3, "angle": 1e-3}
"""Prior standard deviation of an identified instrument pose, scale or target offset. [m or m/m, rad]"""
SHIFTS, TURNS = ("x", "y", "z"), ("yaw", "pitch", "roll")
TURNED_ABOUT = {"roll": "x", "pitch": "y", "yaw": "z"}


@dataclass(frozen=True)
class Layout:
    """Names of the sessions of a measurement, and whether its instrument reads orientations too."""

    sessions: tuple[str, ...] = ("",)
    oriented: bool = False


ONE_SESSION = Layout()


def group_of(axis: Axis) -> str:
    """`INSTRUMENT` or `TARGET`, if an axis moves one of them in any session; empty for axes of the arm."""
    group = axis.owner.partition(" ")[0]
    return group if axis.role is Role.FRAME and group in (INSTRUMENT, TARGET) else ""


def session_of(axis: Axis) -> int:
    """Index of the session whose instrument or target an axis moves."""
    return int(axis.owner.partition(" ")[2] or 1) - 1


def nuisance_axes(instrument: Instrument, layout: Layout) -> list[Axis]:
    """Axes of the nuisance parameters of the measurement that are identified: scale, frames, targets.

    Parameters
    ----------
    instrument : Instrument
    layout : Layout

    Returns
    -------
    list of Axis
    """
    out = []
    if instrument.scale == "identified":
        out.append(Axis(INSTRUMENT, SCALE, Role.FRAME))
    for number in range(len(layout.sessions)):
        if instrument.pose == "identified":
            out += [
                Axis(_name_of_session(INSTRUMENT, number), parameter, Role.FRAME) for parameter in (*SHIFTS, *TURNS)
            ]
    for number in range(len(layout.sessions)):
        if instrument.target == "identified":
            parameters = (*SHIFTS, *TURNS) if layout.oriented else SHIFTS
            out += [Axis(_name_of_session(TARGET, number), parameter, Role.FRAME) for parameter in parameters]
    return out


def nuisance_name(axis: Axis, layout: Layout) -> str:
    """Description of an axis of `nuisance_axes` in words.

    Parameters
    ----------
    axis : Axis
    layout : Layout

    Returns
    -------
    str
    """
    if axis.parameter == SCALE:
        return "scale of the instrument"
    group, parameter = group_of(axis), axis.parameter
    motion = f"rotation about {TURNED_ABOUT[parameter]}" if parameter in TURNS else f"shift along {parameter}"
    moved_part = "frame" if group == INSTRUMENT else "target"
    if len(layout.sessions) > 1:
        return f"{moved_part} of session {layout.sessions[session_of(axis)]}: {motion}"
    return f"{'frame of the instrument' if group == INSTRUMENT else 'target'}: {motion}"


def _name_of_session(name: str, session: int) -> str:
    """Name of the instrument or target of a session: numbered from the second on."""
    return name if session == 0 else f"{name} {session + 1}"


def as_measured(machine: Machine, instrument: Instrument, layout: Layout = ONE_SESSION) -> Machine:
    """The machine as an instrument measures it: instrument before its base, target on its tool, with identified errors.

    Parameters
    ----------
    machine : Machine
    instrument : Instrument
    layout : Layout

    Returns
    -------
    Machine
    """
    arm, masses = machine.arm, machine.masses
    offset_tolerances = [
        (axis, Distribution("normal", REGISTRATION_STD["angle" if axis.parameter in TURNS else "length"]))
        for axis in nuisance_axes(instrument, layout)
    ]
    instrument_frames: list[ElementaryTransform] = []
    target_frames = [*fixed_transforms(instrument.target_offset, ORIGIN)[:3]]
    if instrument.scale == "identified":
        instrument_frames.append(ElementaryTransform(X, False, 0.0, (Axis(INSTRUMENT, SCALE, Role.FRAME),)))
    for number in range(len(layout.sessions)):
        instrument_frames += fixed_transforms(ORIGIN, ORIGIN, _name_of_session(INSTRUMENT, number))
        target_frames += fixed_transforms(ORIGIN, ORIGIN, _name_of_session(TARGET, number))[
            : 6 if layout.oriented else 3
        ]
    if masses is not None and masses.payload is not None:
        x, y, z = (a - b for a, b in zip(masses.payload.centre, instrument.target_offset, strict=True))
        masses = replace(masses, payload=replace(masses.payload, centre=(x, y, z)))
    measured = replace(arm, motions=(*instrument_frames, *arm.motions, *target_frames))
    return replace(
        machine, arm=measured, tolerances=(*machine.tolerances, *offset_tolerances), masses=masses, correction=None
    )
