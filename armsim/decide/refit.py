"""The cheapest change to the present design of the scenario, at one joint or at two."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace

from armsim.assessment import overall_verdict_of
from armsim.decide.decision_records import DecidingCriterion, Refit
from armsim.decide.designs import fitted_encoders
from armsim.decide.joint_filter import meets_joint_requirements
from armsim.decide.ledger import deciding_judgement, requirement_met
from armsim.decide.robustness import MOST_LEFT, MOST_SAMPLED, deciding_criterion
from armsim.decide.search import Search
from armsim.decide.search_state import SearchState
from armsim.documents.catalogue_document import AS_IT_IS
from armsim.model.joint import Joint
from armsim.model.joint_options import Option
from armsim.model.purchase import Purchase

MOST_CHANGES = 2
"""Largest number of joints that may change."""


def refits(search: Search) -> Iterator[Refit]:
    """The design of the scenario, and the cheapest designs that change only a few of its joints.

    The present encoder and mounting of a joint count as one more option, at their own price. The limits of the
    catalogue apply to the whole design.

    Parameters
    ----------
    search : Search
        A search that has ended; its samples are reused.

    Yields
    ------
    Refit
        The design as it is, then the cheapest with one and with two changed joints.
    """
    options, study = search.options, search.study
    of_motors = {option.motor_encoder for row in options.joints for option in row} - {""}
    present = [present_option(joint, options.purchase, of_motors) for joint in study.scenario.machine.joints]
    tasks, _ = study.judge(search.poses, search.run_options.silent)
    fits = [meets_joint_requirements(study, option) for option in present]
    present_design_options = replace(options, joints=tuple((option,) for option in present))
    task, judgement = deciding_judgement(tasks)
    design, price = fitted_encoders(present_design_options, (0,) * len(present)), options.price(present)
    state = overall_verdict_of(tasks) if all(fits) else "not met"
    yield Refit(
        0, (), design, price, all(fits) and requirement_met(tasks), state, DecidingCriterion(task.name, judgement), True
    )
    rows = zip(options.joints, present, fits, strict=True)
    extended = replace(options, joints=tuple(_extended(*row) for row in rows), changes=MOST_CHANGES)
    present_choice = tuple(next((n for n, o in enumerate(row) if o.present), -1) for row in extended.joints)
    search_of_changes = search.with_added_options(extended)
    if all(fits):
        search_of_changes.ledger.full_assessments[present_choice] = tasks
    for most_changes in range(1, MOST_CHANGES + 1):
        yield _cheapest(search_of_changes.with_options(replace(extended, changes=most_changes)), most_changes)


def _extended(row: tuple[Option, ...], present: Option, fits: bool) -> tuple[Option, ...]:
    """Options of a joint with its present one added, unless that fails the requirements on single joints."""
    same = tuple(replace(option, present=option.joint == present.joint) for option in row)
    return same if any(option.present for option in same) or not fits else (*same, present)


def present_option(joint: Joint, purchase: Purchase, motor_encoders: Collection[str] = ()) -> Option:
    """The present encoder and mounting of a joint as an option.

    Parameters
    ----------
    joint : Joint
    purchase : Purchase
        Prices by quantity and one-off costs; for the encoder types that it lists they replace those of the joint.
    motor_encoders : collection of str
        Types to choose from for the motors of joints with two sensors.

    Returns
    -------
    Option
    """
    price, encoder, motor = joint.price, joint.encoder, joint.motor_encoder
    chosen_motor = "" if motor is None or motor.name not in motor_encoders else motor.name
    by_quantity = [name for name in (encoder.name, chosen_motor) if name in purchase.price_lists]
    if by_quantity:
        price -= joint.fitting.one_off
    if encoder.name in by_quantity:
        price += encoder.price - (joint.encoders_price - joint.motor_encoder_price)
    if motor is not None and chosen_motor in by_quantity:
        price += motor.price - joint.motor_encoder_price
    return Option(joint, encoder.name, AS_IT_IS, joint.placement, price, joint.sensor_mass, True, chosen_motor)


def _cheapest(search: Search, most_changes: int) -> Refit:
    state = SearchState(search, search.program(), most_sampled=MOST_SAMPLED, most_left=MOST_LEFT)
    state.find_cheapest()
    complete, best = state.sample_remaining(), state.best
    closest = (
        min(state.largest_misses, key=lambda choice: state.largest_misses[choice], default=None)
        if best is None
        else best
    )
    if closest is None:
        return Refit(most_changes, (), None, None, False, "not met", None, complete)
    chosen = zip(search.options.joints, closest, strict=True)
    joints = tuple(row[n].joint.name for row, n in chosen if not row[n].present)
    return Refit(
        most_changes, joints, search.design(closest), state.program.price(closest), best is not None,
        overall_verdict_of(search.full_assessment(closest)), deciding_criterion(search, closest), complete,
    )  # fmt: skip
