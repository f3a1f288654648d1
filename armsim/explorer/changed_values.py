"""Values that differ from the design as opened, and the way back of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from armsim.errors import InputError
from armsim.explorer.design import Design
from armsim.explorer.edit_options import mounting_name, price_of, yaml_value
from armsim.explorer.session import Session
from armsim.report.parameter_labels import parameter_label

ACCOMPANYING = ("price", "motor_encoder")
"""Keys of a joint that change with its placement or mounting, and go back with them."""


@dataclass(frozen=True)
class ChangedValue:
    """A changed value: its path, its joint (empty if it belongs to none), its label, and its text as opened."""

    path: str
    joint: str
    label: str
    before: str


def changed_values(session: Session) -> tuple[ChangedValue, ...]:
    """Values of the current design that differ from the design as opened, in the order of the changes."""
    before, names = session.inputs.initial.changes, session.study.scenario.machine.arm.names
    out = []
    for path, value in session.design.changes.items():
        joint = max((name for name in names if path.startswith(f"joints.{name}.")), key=len, default="")
        if path in before and before[path] == value:
            continue
        if joint and path.removeprefix(f"joints.{joint}.") in ACCOMPANYING:
            continue
        label = parameter_label(path, names)
        out.append(
            ChangedValue(
                path, joint, label.removeprefix(f"{joint}: ").removeprefix(f"{joint}, "), _before(session, path)
            )
        )
    return tuple(out)


def _before(session: Session, path: str) -> str:
    """Text of a value as opened."""
    initial = session.inputs.initial
    scenario = session.study.scenario if not initial.changes else session.study_of(initial).scenario
    for joint in scenario.machine.joints:
        if path == f"joints.{joint.name}.encoder":
            return joint.encoder.name
        if path == f"joints.{joint.name}.placement":
            return joint.placement
        if path == f"joints.{joint.name}.mounting":
            return mounting_name(session, scenario, joint.name)
    raw = yaml_value(path, scenario)[1]
    return "as opened" if raw is None else str(raw)


def take_back(session: Session, path: str) -> None:
    """Give a value back what it had as opened; of a placement or mounting the price with it.

    Raises
    ------
    InputError
        The other changes do not go with it; the design stays as it was.
    """
    scenario, initial = session.current.scenario, session.inputs.initial
    joint = next(
        (candidate for candidate in scenario.machine.joints if path.startswith(f"joints.{candidate.name}.")), None
    )
    design = session.design.without((path,), initial)
    if joint is not None and path.removeprefix(f"joints.{joint.name}.") in ("placement", "mounting"):
        design = _with_price(session, design, joint.name, path)
    session.set_design(design)


def _with_price(session: Session, design: Design, joint: str, path: str) -> Design:
    """A design without a placement or mounting of a joint, and the price that the joint then has."""
    key = path.rpartition(".")[2]
    paths = [f"joints.{joint}.price"]
    if key == "placement":
        paths.append(f"joints.{joint}.motor_encoder")
    design = design.without(paths, session.inputs.initial)
    other = f"joints.{joint}.{'mounting' if key == 'placement' else 'placement'}"
    if other not in design.changes:
        return design
    present, opened = (
        next(candidate for candidate in study.scenario.machine.joints if candidate.name == joint).fitting
        for study in (session.current, session.study_of(session.inputs.initial))
    )
    mounting = present.mounting if key == "placement" else opened.mounting
    placement = opened.placement if key == "placement" else present.placement
    return design.with_changes({f"joints.{joint}.price": price_of(mounting, placement)})


def skipped_sentence(skipped: dict[str, str]) -> str:
    """Sentence on joints that could not take a change, by their reasons; empty if all could."""
    by_reason: dict[str, list[str]] = {}
    for joint, reason in skipped.items():
        by_reason.setdefault(reason, []).append(joint)
    return "; ".join(f"not at {', '.join(names)}: {reason}" for reason, names in by_reason.items())


def apply_where_possible(session: Session, changes: dict[str, dict[str, Any]], slide: object = None) -> dict[str, str]:
    """Apply changes, given by joint, at all joints that can take them, in one step.

    Returns
    -------
    dict of joint to reason
        Joints that cannot.

    Raises
    ------
    InputError
        No joint can.
    """
    together = {path: value for of_joint in changes.values() for path, value in of_joint.items()}
    try:
        session.apply(together, slide)
        return {}
    except InputError as error:
        if len(changes) == 1:
            raise
        first = error
    possible: dict[str, Any] = {}
    skipped: dict[str, str] = {}
    for joint, of_joint in changes.items():
        try:
            session.study_of(session.design.with_changes({**possible, **of_joint}))
        except InputError as error:
            skipped[joint] = f"{error.problems[0].actual}; accepted: {error.problems[0].accepted}"
        else:
            possible |= of_joint
    if not possible:
        raise first
    session.apply(possible, slide)
    return skipped
