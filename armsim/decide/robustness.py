"""Robustness of a choice to uncertain inputs: prices, tolerances of gears, temperature.

Each row of the table gives the result of the search with one input changed. Whether a design meets the requirement does
not depend on its price, so a search at other prices reuses all sampled results and all designs known to fail. Larger
errors are assumed never to improve a design: if the choice still meets the requirement with larger errors, it remains
the cheapest, and no other design is sampled.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial

from armsim.assessment import AssessedTask
from armsim.decide.decision_records import ChangedAssumption, DecidingCriterion
from armsim.decide.frontier import price_tolerance
from armsim.decide.joint_filter import meets_joint_requirements
from armsim.decide.ledger import deciding_judgement, requirement_met
from armsim.decide.program import Choice, Program
from armsim.decide.search import Search
from armsim.decide.search_state import SearchState
from armsim.errormodel.distributions import Distribution
from armsim.errors import InputError
from armsim.model.joint import Joint
from armsim.model.joint_options import Option, Options
from armsim.model.machine import Machine

PRICE_CHANGE = 0.2
"""Share by which prices are raised and lowered. Common practice, no source."""
GEAR_FACTOR = 1.5
"""Factor on the tolerances of gears. Common practice, no source."""
MOST_SAMPLED = 40
"""Largest number of designs sampled for a row, in the order of their price, before the search for it is given up."""
MOST_LEFT = 100
"""If at most this many cheaper designs remain, all of them are sampled."""


def robustness(state: SearchState) -> tuple[ChangedAssumption, ...]:
    """Whether the choice of a search stays the best when one input at a time is changed.

    The unit price of each encoder type, and of all types together, is raised and lowered. Raising the price of a type
    that the choice does not use changes nothing, so it has no row. Tolerances of gears and the temperature rise have a
    row if they are stated.

    Parameters
    ----------
    state : SearchState
        A search that has ended.

    Returns
    -------
    tuple of ChangedAssumption
        Empty if no design meets the requirement.
    """
    choice = state.best
    if choice is None:
        return ()
    return (*_prices(state, choice), *_physical_changes(state, choice))


def deciding_criterion(search: Search, choice: Choice) -> DecidingCriterion:
    """Criterion that comes closest to its limit for a choice, from a full sample.

    Parameters
    ----------
    search : Search
    choice : Choice

    Returns
    -------
    DecidingCriterion
    """
    return _deciding_criterion(search.full_assessment(choice))


def _deciding_criterion(tasks: Sequence[AssessedTask]) -> DecidingCriterion:
    task, judgement = deciding_judgement(tasks)
    return DecidingCriterion(task.name, judgement)


def _prices(state: SearchState, choice: Choice) -> Iterator[ChangedAssumption]:
    options = state.search.options
    all_options = (option for options_of_joint in options.joints for option in options_of_joint)
    types = sorted({encoder for option in all_options for encoder in option.encoders})
    chosen = {sensor.encoder for part in state.search.design(choice) for sensor in part.sensors}
    for factor in (1.0 + PRICE_CHANGE, 1.0 - PRICE_CHANGE):  # an empty encoder name means all types
        yield _with_prices(state, choice, "", types, factor)
        for encoder in (name for name in types if name in chosen):
            yield _with_prices(state, choice, encoder, [encoder], factor)
    others = [name for name in types if name not in chosen]
    lower = 1.0 - PRICE_CHANGE
    if others:
        together = _with_prices(state, choice, "", others, lower)
        for encoder in others:  # if the choice stays best when all of them are cheaper, it does when one is
            of_one_encoder = replace(together, encoder=encoder)
            yield of_one_encoder if together.unchanged else _with_prices(state, choice, encoder, [encoder], lower)


def _with_prices(
    state: SearchState, choice: Choice, encoder: str, types: Collection[str], factor: float
) -> ChangedAssumption:
    options = with_prices(state.search.options, dict.fromkeys(types, factor))
    search, program = state.search.with_options(options), _repriced(state.program, options)
    perturbed = SearchState(
        search, program, failed=dict(state.failed), largest_misses=dict(state.largest_misses),
        failed_criteria=dict(state.failed_criteria), bounded=dict(state.bounded),
        most_sampled=len(state.failed) + MOST_SAMPLED, most_left=MOST_LEFT,
    )  # fmt: skip
    perturbed.examine_by_price()
    price = program.price(choice)
    make_row = partial(ChangedAssumption, "price", encoder, factor)
    return _row(perturbed, choice, price, deciding_criterion(search, choice), make_row)


def with_prices(options: Options, factors: Mapping[str, float]) -> Options:
    """Options with the unit prices of encoder types multiplied by factors; one-off costs stay.

    Parameters
    ----------
    options : Options
    factors : mapping of encoder to factor

    Returns
    -------
    Options
    """

    def option_with_price(option: Option) -> Option:
        factor, encoder, motor = factors.get(option.encoder, 1.0), option.joint.encoder, option.joint.motor_encoder
        joint = replace(option.joint, encoder=replace(encoder, price=encoder.price * factor))
        price = option.price + (factor - 1.0) * encoder.price
        if option.motor_encoder and motor is not None:
            factor = factors.get(option.motor_encoder, 1.0)
            joint = replace(joint, motor_encoder=replace(motor, price=motor.price * factor))
            price += (factor - 1.0) * motor.price
        return replace(option, joint=joint, price=price)

    price_lists = {
        name: replace(
            tariff,
            steps=tuple((minimum_quantity, price * factors.get(name, 1.0)) for minimum_quantity, price in tariff.steps),
        )
        for name, tariff in options.purchase.price_lists.items()
    }
    joints = tuple(
        tuple(option_with_price(option) for option in options_of_joint) for options_of_joint in options.joints
    )
    return replace(options, joints=joints, purchase=replace(options.purchase, price_lists=price_lists))


def _repriced(program: Program, options: Options) -> Program:
    """Integer program for other prices of the same options, with all choices that are known to fail and all cuts.

    Cuts and visit rows do not depend on prices.
    """
    return replace(
        program, options=options, limit=program.limit.copy(),
        refused=[*program.refused], dominated=[*program.dominated],
        excluded_neighbourhoods=[*program.excluded_neighbourhoods], cuts=[*program.cuts],
        visit_rows=[*program.visit_rows], turning_cuts=[*program.turning_cuts],
    )  # fmt: skip


def _physical_changes(state: SearchState, choice: Choice) -> Iterator[ChangedAssumption]:
    """Rows for larger gear tolerances and for the largest temperature rise."""
    machine = state.search.study.scenario.machine
    options = state.search.options
    chosen = [options_of_joint[n] for options_of_joint, n in zip(options.joints, choice, strict=True)]
    all_joints = [*machine.joints, *(option.joint for option in chosen)]
    if any(joint.transmission.with_tolerances(GEAR_FACTOR) != joint.transmission for joint in all_joints):
        yield _with_machine(
            state, choice, machine, with_looser_gear, partial(ChangedAssumption, "gear tolerances", "", GEAR_FACTOR)
        )
    rises = [machine.environment.temperature_rise, *(joint.temperature_rise for joint in all_joints)]
    if any(rise is not None and rise.at_largest_value.mean != rise.mean for rise in rises):
        environment = replace(
            machine.environment, temperature_rise=_at_largest_value(machine.environment.temperature_rise)
        )
        yield _with_machine(
            state, choice, replace(machine, environment=environment), with_largest_rise,
            partial(ChangedAssumption, "temperature rise", "", None),
        )  # fmt: skip


def with_looser_gear(joint: Joint) -> Joint:
    """Joint whose gear has larger tolerances."""
    return replace(joint, transmission=joint.transmission.with_tolerances(GEAR_FACTOR))


def with_largest_rise(joint: Joint) -> Joint:
    """Joint whose temperature rise is fixed at its largest value."""
    return replace(joint, temperature_rise=_at_largest_value(joint.temperature_rise))


def _at_largest_value(rise: Distribution | None) -> Distribution | None:
    return None if rise is None else rise.at_largest_value


def _with_machine(
    state: SearchState,
    choice: Choice,
    machine: Machine,
    change_joint: Callable[[Joint], Joint],
    make_row: Callable[..., ChangedAssumption],
) -> ChangedAssumption:
    options = state.search.options
    joints = tuple(
        tuple(replace(option, joint=change_joint(option.joint)) for option in options_of_joint)
        for options_of_joint in options.joints
    )
    machine = replace(machine, joints=tuple(change_joint(joint) for joint in machine.joints))
    study, silent_options = state.search.study.with_scenario(machine=machine), state.search.run_options.silent
    chosen = [options_of_joint[n] for options_of_joint, n in zip(joints, choice, strict=True)]
    fitted_machine = replace(machine, joints=options.fitted_joints(chosen))
    tasks, _ = study.with_scenario(machine=fitted_machine).judge(state.search.poses, silent_options)
    price, criterion_of_choice = state.program.price(choice), _deciding_criterion(tasks)
    if requirement_met(tasks) and all(meets_joint_requirements(study, option) for option in chosen):
        return make_row(
            unchanged=True, price=price, design=state.search.design(choice), design_price=price,
            deciding=criterion_of_choice, proved=False,
        )  # fmt: skip
    try:
        search = Search(study, replace(options, joints=joints), silent_options)
    except InputError:  # some joint has no option that meets the joint's own requirements
        return make_row(
            unchanged=False, price=price, design=None, design_price=None, deciding=criterion_of_choice, proved=True
        )
    perturbed = SearchState(search, search.trained_program(), most_sampled=MOST_SAMPLED, most_left=MOST_LEFT)
    perturbed.find_cheapest()
    return _row(perturbed, None, price, criterion_of_choice, make_row)


def _row(
    state: SearchState,
    choice: Choice | None,
    price: float,
    criterion_of_choice: DecidingCriterion,
    make_row: Callable[..., ChangedAssumption],
) -> ChangedAssumption:
    """Row of a search with one changed assumption; ``choice`` is None where it fails the requirement."""
    complete, search, best = state.sample_remaining(), state.search, state.best
    if best is None:
        return make_row(
            unchanged=False, price=price, design=None, design_price=None, deciding=criterion_of_choice, proved=complete
        )
    cheapest = state.program.price(best)
    unchanged = choice is not None and price <= cheapest + price_tolerance(cheapest)
    design = best if choice is None or not unchanged else choice
    design_price = state.program.price(design)
    return make_row(
        unchanged=unchanged, price=price, design=search.design(design), design_price=design_price,
        deciding=deciding_criterion(search, design), proved=complete,
    )  # fmt: skip
