"""What a catalogue offers to every joint of a scenario, and the limits that it sets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from armsim.documents.catalogue_document import CatalogueDocument, EntryDocument, JointLimitsDocument, LimitsDocument
from armsim.documents.from_spec import document_of
from armsim.documents.joint_document import build_joint
from armsim.documents.motion_document import is_within_limits
from armsim.errors import InputError, Problem
from armsim.model.arm import Arm
from armsim.model.encoder import Encoder
from armsim.model.joint import Fitting, Joint
from armsim.model.joint_options import Fit, Option, Options
from armsim.model.kinematics import ArmJoint
from armsim.scenario import Scenario
from armsim.sources import Source


@dataclass(frozen=True)
class Refusal:
    """Why a way to fit a joint is left out.

    Parameters
    ----------
    stage : int
        How far it came: 0 refused for its encoder, 1 by the limits of the joint, 2 it does not go together, 3 it is
        too slow for the motion.
    reason, accepted : str
        As of a problem.
    """

    stage: int
    reason: str
    accepted: str = "one that fits"


def offered(
    document: CatalogueDocument, encoders: Sequence[Encoder], scenario: Any, ready: Scenario, source: Source
) -> tuple[Options, list[str]]:
    """Every admissible way to fit every joint, the limits, and notes on what is left out.

    Parameters
    ----------
    document : CatalogueDocument
    encoders : sequence of Encoder
        Of its entries.
    scenario : ScenarioDocument
    ready : Scenario
        As it was read.
    source : Source
        Of the catalogue.

    Raises
    ------
    InputError
        A joint has no admissible entry.
    """
    notes: list[str] = []
    every = range(len(ready.machine.joints))
    joints = tuple(_of_joint(n, document, encoders, scenario, ready, source, notes) for n in every)
    taken = {option.encoder for own in joints for option in own}
    nowhere = [encoder.name for encoder in encoders if encoder.name not in taken]
    if nowhere:
        notes.append(f"catalogue: {', '.join(nowhere)} can be fitted to no joint")
    both = zip(document.encoders, encoders, strict=True)
    stock = {encoder.name: entry.stock for entry, encoder in both if entry.stock is not None}
    return _limited(joints, stock, document.limits, ready.machine.arm), notes


def _of_joint(
    number: int, document: CatalogueDocument, encoders: Sequence[Encoder], scenario: Any, ready: Scenario,
    source: Source, notes: list[str],
) -> tuple[Option, ...]:  # fmt: skip
    machine = ready.machine
    joint = machine.arm.joints[number]
    limits = document.limits.joints.get(joint.name, JointLimitsDocument())
    second = machine.joints[number].motor_encoder
    placements = _placements(document, limits, joint.name, second is not None, source)
    fitted: list[Option] = []
    why: dict[Refusal, int] = {}
    for entry, encoder in zip(document.encoders, encoders, strict=True):
        for mounting in document.mountings:
            for placement, price in placements.items():
                excluded = _refused(entry, encoder, joint, limits) or _left_out(limits, mounting.name, placement)
                if excluded is None:
                    motor = second if placement == "both" else None
                    changed: dict[str, Any] = {
                        "placement": placement, "mounting": mounting.mounting,
                        "fitting": document_of(Fitting)(mounting=mounting.price, placement=price),
                        **({"motor_encoder": None, "counts_turns": False} if motor is None else {}),
                    }  # fmt: skip
                    given, bus = scenario.joints[joint.name].model_copy(update=changed), machine.joints[number].bus
                    try:
                        here = ("joints", joint.name)  # what the joint names counts from the scenario
                        built: Joint = build_joint(given, joint, encoder, motor, bus, ready.sources[0], here)
                    except InputError as error:
                        problem = error.problems[0]
                        excluded = Refusal(2, problem.found, f"one that fits ({problem.accepted})")
                    else:
                        faster = is_within_limits(built, ready.motion, source)
                        excluded = None if faster is None else Refusal(3, faster)
                        if excluded is None:
                            fitted.append(
                                Option(built, encoder.name, mounting.name, placement, built.price, entry.mass)
                            )
                if excluded is not None:
                    why[excluded] = why.get(excluded, 0) + 1
    if not fitted:
        # what came nearest to fitting tells what is in the way
        most = max(why, key=lambda own: (own.stage, why[own]))
        found = f"no entry can be fitted to joint {joint.name}; what comes nearest fails for: {most.reason}"
        raise source.error(("encoders",), found, most.accepted)
    if why:
        ranked = sorted(why.items(), key=lambda row: -row[1])
        told = ", ".join(f"{count} for: {own.reason}" for own, count in ranked)
        notes.append(f"catalogue: {sum(why.values())} ways to fit {joint.name} are left out, {told}")
    return tuple(fitted)


def _placements(
    document: CatalogueDocument, limits: JointLimitsDocument, joint: str, two: bool, source: Source
) -> dict[Any, float]:
    """Placements tried at a joint, and their prices; one of two sensors keeps both, unless its limits say otherwise.

    Raises
    ------
    InputError
        It has two, which the catalogue does not price.
    """
    priced = document.placements
    if two and limits.placements is None:
        if "both" not in priced:
            found = f"joint {joint} has two sensors, and placement both is not priced"
            accepted = (
                f"both: with its price, or one sensor by limits: {{joints: {{{joint}: {{placements: [output]}}}}}}"
            )
            raise source.error(("placements",), found, accepted)
        return {"both": priced["both"]}
    # without a second sensor there is no placement both: tried only where the limits ask for it, to be refused
    wanted = limits.placements or ()
    return {place: price for place, price in priced.items() if two or place != "both" or place in wanted}


def _limited(
    joints: tuple[tuple[Option, ...], ...], stock: dict[str, int], limits: LimitsDocument, arm: Arm
) -> Options:
    number = {name: n for n, name in enumerate(arm.names)}
    groups = tuple(
        (tuple(number[name] for name in arm.groups[group]), own.types) for group, own in limits.groups.items()
    )
    together = tuple(tuple(number[name] for name in names) for names in limits.together)
    apart: list[tuple[Fit, Fit]] = []
    for pair in limits.apart:
        one, other = pair.items() if isinstance(pair, dict) else ((None, pair[0]), (None, pair[1]))
        apart.append(tuple((None if j is None else number[j], name) for j, name in (one, other)))  # type: ignore[arg-type]
    return Options(joints, stock, limits.mass, limits.types, groups, together, tuple(apart))


def limit_problems(
    document: CatalogueDocument, encoders: Sequence[str], arm: Arm | None, source: Source
) -> list[Problem]:
    """Names in the limits that stand for nothing; joints and groups are known where there is an arm."""
    out: list[Problem] = []
    classes, limits = [entry.name for entry in document.mountings], document.limits

    def known(name: str, names: Sequence[str], at: tuple[str | int, ...], found: str) -> None:
        if name not in names:
            out.append(source.problem(("limits", *at), found, ", ".join(names) or "none"))

    for name, own in limits.joints.items():
        for wanted in own.mountings or ():
            known(wanted, classes, ("joints", name, "mountings"), f"no mounting named {wanted!r}")
    for n, pair in enumerate(limits.apart):
        for name in pair.values() if isinstance(pair, dict) else pair:
            known(name, encoders, ("apart", n), f"no encoder named {name!r}")
    if arm is None:
        return out
    for name in limits.joints:
        known(name, arm.names, ("joints", name), "the arm has no such joint")
    for name in limits.groups:
        known(name, tuple(arm.groups), ("groups", name), "the arm has no such group")
    for n, names in enumerate(limits.together):
        for name in names:
            known(name, arm.names, ("together", n), f"the arm has no joint {name!r}")
    for n, pair in enumerate(limits.apart):
        for name in pair if isinstance(pair, dict) else ():
            known(name, arm.names, ("apart", n), f"the arm has no joint {name!r}")
    return out


def _refused(entry: EntryDocument, encoder: Encoder, joint: ArmJoint, limits: JointLimitsDocument) -> Refusal | None:
    """Why a joint does not take an encoder."""
    if encoder.rotary != joint.revolute:
        return Refusal(0, f"measures {encoder.measures}, the joint is {'revolute' if joint.revolute else 'prismatic'}")
    if limits.diameter is not None and (entry.diameter is None or entry.diameter > limits.diameter):
        return Refusal(0, "too large, or of unknown diameter")
    if limits.interface is not None and entry.interface != limits.interface:
        return Refusal(0, f"interface is not {limits.interface}")
    return None


def _left_out(limits: JointLimitsDocument, mounting: str, placement: str) -> Refusal | None:
    """Why a joint does not take a way of assembling or a placement."""
    if limits.placements is not None and placement not in limits.placements:
        return Refusal(1, f"placement is not {' or '.join(limits.placements)}")
    if limits.mountings is not None and mounting not in limits.mountings:
        return Refusal(1, f"mounting is not {' or '.join(limits.mountings)}")
    return None
