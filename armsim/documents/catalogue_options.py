"""Options that a catalogue offers for every joint of a scenario, and the limits on their combination."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from armsim.documents.catalogue_document import (
    AS_IT_IS,
    CatalogueDocument,
    JointLimitsDocument,
    LimitsDocument,
    MountingClassDocument,
)
from armsim.documents.exclusions import Refusal, find_exclusions
from armsim.documents.from_spec import document_type
from armsim.documents.joint_document import build_joint
from armsim.documents.motion_document import limit_violation
from armsim.errors import InputError, Problem
from armsim.model.arm import Arm
from armsim.model.encoder import Encoder
from armsim.model.installation import SensorNeeds
from armsim.model.joint import FittingPrice, Joint
from armsim.model.joint_options import EncoderAtJoint, Exclusion, Option, Options
from armsim.model.kinematics import ArmJoint
from armsim.model.purchase import PriceList, Purchase
from armsim.model.unmet_needs import unmet_needs
from armsim.scenario import Scenario
from armsim.sources import Source

MOTOR_OF_BOTH = "both, on the motor"
"""Place of the second sensor of a joint, as the table of exclusions names it."""
MOST_REASONS = 6
"""Largest number of reasons in the message of a joint that nothing fits."""


def build_options(
    document: CatalogueDocument, encoders: Sequence[Encoder], scenario_document: Any, scenario: Scenario, source: Source
) -> tuple[Options, list[str]]:
    """Admissible options of every joint under the limits of the catalogue, the exclusions, and notes.

    Parameters
    ----------
    document : CatalogueDocument
    encoders : sequence of Encoder
        Encoders of its entries, in the same order.
    scenario_document : ScenarioDocument
    scenario : Scenario
        Scenario built from that document.
    source : Source
        File of the catalogue.

    Returns
    -------
    options : Options
    notes : list of str

    Raises
    ------
    InputError
        A joint has no admissible entry.
    """
    notes: list[str] = []
    exclusions: list[Exclusion] = []
    joint_numbers = range(len(scenario.machine.joints))
    joints = tuple(
        _joint_options(n, document, encoders, scenario_document, scenario, source, exclusions) for n in joint_numbers
    )
    fitted_encoders = {option.encoder for joint_options in joints for option in joint_options}
    unfitted = [encoder.name for encoder in encoders if encoder.name not in fitted_encoders]
    if unfitted:
        notes.append(f"catalogue: {', '.join(unfitted)} can be fitted to no joint")
    pairs = zip(document.encoders, encoders, strict=True)
    stock = {encoder.name: entry.stock for entry, encoder in pairs if entry.stock is not None}
    options = _with_limits(joints, stock, document.limits, scenario.machine.arm)
    return replace(options, purchase=_purchase(encoders, document.arms), exclusions=tuple(exclusions)), notes


def _purchase(encoders: Sequence[Encoder], arms: int) -> Purchase:
    price_lists = {
        encoder.name: PriceList(encoder.price_steps or ((1, encoder.price),), encoder.one_off) for encoder in encoders
    }
    return Purchase(arms, {name: tariff for name, tariff in price_lists.items() if not tariff.is_plain})


def _joint_options(
    number: int, document: CatalogueDocument, encoders: Sequence[Encoder], scenario_document: Any, scenario: Scenario,
    source: Source, exclusions: list[Exclusion],
) -> tuple[Option, ...]:  # fmt: skip
    machine = scenario.machine
    joint = machine.arm.joints[number]
    limits = document.limits.joints.get(joint.name, JointLimitsDocument())
    slides = machine.joints[number].transmission.moves_slide
    placements = _placements(document, limits, machine.joints[number], source)
    joint_document = scenario_document.joints[joint.name]
    as_it_is = MountingClassDocument(name=AS_IT_IS, price=machine.joints[number].fitting.mounting)
    mountings = document.mountings or [as_it_is.model_copy(update={"mounting": joint_document.mounting})]
    names = [mounting.name for mounting in mountings]
    options: list[Option] = []
    motor_sensors: list[tuple[Encoder | None, str]] = [(None, "")]
    motor_refusals: list[Refusal] = []
    if "both" in placements:
        motor_sensors, motor_refusals = _motor_sensors(document, encoders, machine.joints[number], scenario, source)
    refusals: list[Refusal] = []
    stated_price = machine.joints[number].fitting.motor_encoder
    price_on_motor = {} if stated_price is None else {"motor_encoder": stated_price}
    limits_as_needs = SensorNeeds(diameter=limits.diameter or 0.0, interface=_as_tuple(limits.interface))
    needs = machine.joints[number].needs
    for encoder in encoders:
        for mounting in mountings:
            for placement, price in placements.items():
                rotary = joint.revolute or (placement == "motor" and slides)
                ratio = machine.joints[number].transmission.motor_angle_per_motion if placement == "motor" else 1.0
                unmet = [
                    *unmet_needs(limits_as_needs, encoder),
                    *unmet_needs(needs.for_placement(placement), encoder, ratio),
                ]
                reasons = _measure_refusals(encoder, joint, rotary) or [Refusal(0, reason) for reason in unmet]
                reasons = reasons or _limit_refusals(limits, mounting.name, placement)
                sensors_on_motor = motor_sensors if placement == "both" else [(None, "")]
                for motor, motor_name in [] if reasons else sensors_on_motor:
                    kept_price = {} if motor is None or motor_name else price_on_motor
                    changes: dict[str, Any] = {
                        "placement": placement, "mounting": mounting.mounting,
                        "fitting": document_type(FittingPrice)(mounting=mounting.price, placement=price, **kept_price),
                        **({"motor_encoder": None, "counts_turns": False} if motor is None else {}),
                    }  # fmt: skip
                    fitted_document = joint_document.model_copy(update=changes)
                    try:
                        joint_path = ("joints", joint.name)  # what the joint names counts from the scenario
                        fitted_joint: Joint = build_joint(
                            fitted_document, machine.arm, number, encoder, motor, machine.joints[number].bus,
                            scenario.sources[0], joint_path,
                        )  # fmt: skip
                    except InputError as error:
                        problem = error.problems[0]
                        reasons.append(Refusal(2, problem.actual, f"one that fits ({problem.accepted})"))
                    else:
                        violation = limit_violation(fitted_joint, scenario.motion, source)
                        if violation is None:
                            fit = fitted_joint, encoder.name, mounting.name, placement
                            price_and_mass = fitted_joint.price, fitted_joint.sensor_mass
                            options.append(Option(*fit, *price_and_mass, motor_encoder=motor_name))
                        else:
                            reasons.append(Refusal(3, violation))
                refusals += [
                    replace(refusal, encoder=encoder.name, mounting=mounting.name, placement=placement)
                    for refusal in reasons
                ]
    by_reason = [
        *find_exclusions(joint.name, refusals, names, len(encoders)),
        *find_exclusions(joint.name, motor_refusals, [""], len(document.motor_encoders)),
    ]
    if not options:
        # the refusal at the latest stage shows what is in the way
        counts = Counter((refusal.stage, refusal.reason, refusal.accepted) for refusal in (*refusals, *motor_refusals))
        (_, reason, accepted), _ = max(counts.items(), key=lambda row: (row[0][0], row[1]))
        finding = f"no entry can be fitted to joint {joint.name}; the closest option fails because: {reason}"
        listed = [f"{len(row.encoders)} of {row.of} on the {row.placement}: {row.reason}" for row in by_reason]
        further_reasons = f" ({'; '.join(listed[:MOST_REASONS])})" if len(listed) > 1 else ""
        raise source.error(("encoders",), finding + further_reasons, accepted)
    exclusions += by_reason
    return tuple(options)


def _motor_sensors(
    document: CatalogueDocument, encoders: Sequence[Encoder], joint: Joint, scenario: Scenario, source: Source
) -> tuple[list[tuple[Encoder | None, str]], list[Refusal]]:
    """Sensors to try on the motor beside one on the output, with their names, and why others of the list do not fit.

    Where the catalogue names none, that of the scenario stays, with an empty name.
    """
    if not document.motor_encoders:
        return [(joint.motor_encoder, "")], []
    transmission, needs = joint.transmission, joint.needs.for_second_sensor
    arm_joint = next(arm_joint for arm_joint in scenario.machine.arm.joints if arm_joint.name == joint.name)
    rotary = arm_joint.revolute or transmission.moves_slide
    sensors: list[tuple[Encoder | None, str]] = []
    refusals: list[Refusal] = []
    for encoder in encoders:
        if encoder.name not in document.motor_encoders:
            continue
        unmet = unmet_needs(needs, encoder, transmission.motor_angle_per_motion)
        reasons = _measure_refusals(encoder, arm_joint, rotary) or [Refusal(0, reason) for reason in unmet]
        if not reasons:
            alone = replace(joint, encoder=encoder, motor_encoder=None, placement="motor", counts_turns=False)
            violation = limit_violation(alone, scenario.motion, source)
            reasons = [] if violation is None else [Refusal(3, violation)]
        refusals += [replace(reason, encoder=encoder.name, placement=MOTOR_OF_BOTH) for reason in reasons]
        if not reasons:
            sensors.append((encoder, encoder.name))
    return sensors, refusals


def _placements(
    document: CatalogueDocument, limits: JointLimitsDocument, joint: Joint, source: Source
) -> dict[Any, float]:
    """Placements to try at a joint, with their prices; a joint with two sensors keeps both unless its limits name
    others. A catalogue without placements leaves every joint its own.

    Raises
    ------
    InputError
        The joint has two sensors, and the catalogue does not price that placement.
    """
    priced = document.placements
    has_motor_encoder = joint.motor_encoder is not None
    may_have_both = has_motor_encoder or bool(document.motor_encoders)
    if not priced:
        return {joint.placement: joint.fitting.placement}
    if has_motor_encoder and limits.placements is None:
        if "both" not in priced:
            finding = f"joint {joint.name} has two sensors, and placement both is not priced"
            accepted = (
                f"both: with its price, or one sensor by limits: {{joints: {{{joint.name}: {{placements: [output]}}}}}}"
            )
            raise source.error(("placements",), finding, accepted)
        return {"both": priced["both"]}
    # without a second sensor there is no placement both: tried only where the limits ask for it, to be refused
    requested = limits.placements or ()
    return {
        placement: price
        for placement, price in priced.items()
        if may_have_both or placement != "both" or placement in requested
    }


def _with_limits(
    joints: tuple[tuple[Option, ...], ...], stock: dict[str, int], limits: LimitsDocument, arm: Arm
) -> Options:
    joint_numbers = {name: n for n, name in enumerate(arm.names)}
    groups = tuple(
        (tuple(joint_numbers[name] for name in arm.groups[group]), group_limits.types)
        for group, group_limits in limits.groups.items()
    )
    same_encoder_groups, same_family_groups, modules = (
        tuple(tuple(joint_numbers[name] for name in names) for names in of_limit)
        for of_limit in (limits.same_encoder, limits.same_family, limits.modules)
    )
    forbidden_pairs: list[tuple[EncoderAtJoint, EncoderAtJoint]] = []
    for pair in limits.incompatible:
        first, second = pair.items() if isinstance(pair, dict) else ((None, pair[0]), (None, pair[1]))
        forbidden_pairs.append(tuple((None if j is None else joint_numbers[j], name) for j, name in (first, second)))  # type: ignore[arg-type]
    return Options(
        joints, stock, limits.mass, limits.types, groups, same_encoder_groups, tuple(forbidden_pairs), modules=modules,
        same_family_groups=same_family_groups,
    )  # fmt: skip


def name_problems(
    document: CatalogueDocument, encoders: Sequence[str], arm: Arm | None, source: Source
) -> list[Problem]:
    """Mountings of one name, and unknown names in the limits; joints and groups are checked where an arm is given."""
    names = [entry.name for entry in document.mountings]
    if document.motor_encoders and document.placements and "both" not in document.placements:
        problem = source.problem(("motor_encoders",), "placement both is not priced", "placements with both: its price")
        return [problem]
    problems = [
        source.problem(("mountings", number, "name"), f"two mountings named {name!r}", "each name once")
        for number, name in enumerate(names)
        if name in names[:number]
    ]
    classes, limits = names or [AS_IT_IS], document.limits

    def check_name(name: str, names: Sequence[str], key_path: tuple[str | int, ...], finding: str) -> None:
        if name not in names:
            problems.append(source.problem(("limits", *key_path), finding, ", ".join(names) or "none"))

    for n, name in enumerate(document.motor_encoders):
        if name not in encoders:
            problems.append(source.problem(("motor_encoders", n), f"no encoder named {name!r}", ", ".join(encoders)))
    for name, joint_limits in limits.joints.items():
        for mounting in joint_limits.mountings or ():
            check_name(mounting, classes, ("joints", name, "mountings"), f"no mounting named {mounting!r}")
    for n, pair in enumerate(limits.incompatible):
        for name in pair.values() if isinstance(pair, dict) else pair:
            check_name(name, encoders, ("incompatible", n), f"no encoder named {name!r}")
    if arm is None:
        return problems
    for name in limits.joints:
        check_name(name, arm.names, ("joints", name), "the arm has no such joint")
    for name in limits.groups:
        check_name(name, tuple(arm.groups), ("groups", name), "the arm has no such group")
    joint_lists = {"same_encoder": limits.same_encoder, "same_family": limits.same_family, "modules": limits.modules}
    for key, groups in joint_lists.items():
        for n, names in enumerate(groups):
            for name in names:
                check_name(name, arm.names, (key, n), f"the arm has no joint {name!r}")
    for n, pair in enumerate(limits.incompatible):
        for name in pair if isinstance(pair, dict) else ():
            check_name(name, arm.names, ("incompatible", n), f"the arm has no joint {name!r}")
    return problems


def _as_tuple(word: str | None) -> tuple[str, ...]:
    return () if word is None else (word,)


def _measure_refusals(encoder: Encoder, joint: ArmJoint, rotary: bool) -> list[Refusal]:
    """Reason why a joint cannot take an encoder where a rotary or a linear one sits."""
    if encoder.rotary == rotary:
        return []
    return [Refusal(0, f"measures {encoder.measures}, the joint is {'revolute' if joint.revolute else 'prismatic'}")]


def _limit_refusals(limits: JointLimitsDocument, mounting: str, placement: str) -> list[Refusal]:
    """Reason why a joint does not accept a mounting class or a placement."""
    if limits.placements is not None and placement not in limits.placements:
        return [Refusal(1, f"placement is not {' or '.join(limits.placements)}")]
    if limits.mountings is not None and mounting not in limits.mountings:
        return [Refusal(1, f"mounting is not {' or '.join(limits.mountings)}")]
    return []
