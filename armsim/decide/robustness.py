"""Robustness of a choice to uncertain inputs: prices, tolerances of gears, temperature.

Each row is the answer of the search with one thing changed. Whether a design meets the requirement does not depend on
its price, so that another price takes over all that was sampled, and all that is known to fail. Larger errors are
taken to make no design better: where the choice keeps the requirement in spite of them, nothing cheaper is sampled.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial

from armsim.assessment import AssessedTask
from armsim.decide.decision_records import ChangedAssumption, DecidingCriterion
from armsim.decide.frontier import cent
from armsim.decide.joint_filter import fits_joint
from armsim.decide.ledger import binding, met
from armsim.decide.program import Choice, Program
from armsim.decide.search import Search
from armsim.decide.select import SearchState
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
"""Designs sampled for a row, in the order of their price, before its search is given up."""
MOST_LEFT = 100
"""Cheaper designs, at most, that are all sampled for a row."""


def robustness(record: SearchState) -> tuple[ChangedAssumption, ...]:
    """Whether the choice of a search stays the best when one input at a time is changed.

    Prices of a piece of each type of encoder and of all, raised and lowered; a higher price of a type that the choice
    does not have changes nothing and has no row. Tolerances of gears and the temperature rise have a row where they are
    stated.

    Parameters
    ----------
    record : SearchState
        A search that has ended.

    Returns
    -------
    tuple of ChangedAssumption
        Empty where nothing meets the requirement.
    """
    choice = record.best
    if choice is None:
        return ()
    return (*_prices(record, choice), *_physical(record, choice))


def deciding(search: Search, choice: Choice) -> DecidingCriterion:
    """Criterion that binds a choice, sampled whole.

    Parameters
    ----------
    search : Search
    choice : Choice

    Returns
    -------
    DecidingCriterion
    """
    return _deciding(search.verdict(choice))


def _deciding(tasks: Sequence[AssessedTask]) -> DecidingCriterion:
    task, judgement = binding(tasks)
    return DecidingCriterion(task.name, judgement)


def _prices(record: SearchState, choice: Choice) -> Iterator[ChangedAssumption]:
    options = record.search.options
    types = sorted({option.encoder for row in options.joints for option in row})
    chosen = {part.encoder for part in record.search.design(choice)}
    for factor in (1.0 + PRICE_CHANGE, 1.0 - PRICE_CHANGE):
        yield _with_prices(record, choice, "", types, factor)
        for encoder in (name for name in types if name in chosen):
            yield _with_prices(record, choice, encoder, [encoder], factor)
    others = [name for name in types if name not in chosen]
    lower = 1.0 - PRICE_CHANGE
    if others:
        together = _with_prices(record, choice, "", others, lower)
        for encoder in others:  # a choice that stands where all of them are cheaper stands where one is
            of_one_encoder = replace(together, encoder=encoder)
            yield of_one_encoder if together.unchanged else _with_prices(record, choice, encoder, [encoder], lower)


def _with_prices(
    record: SearchState, choice: Choice, encoder: str, types: Collection[str], factor: float
) -> ChangedAssumption:
    options = with_prices(record.search.options, dict.fromkeys(types, factor))
    search, program = record.search.with_options(options), _repriced(record.program, options)
    outcomes = dict(record.failed), dict(record.misses), dict(record.failed_criteria), dict(record.bounded)
    most_sampled = len(record.failed) + MOST_SAMPLED
    perturbed = SearchState(search, program, *outcomes, most_sampled=most_sampled, most_left=MOST_LEFT)
    perturbed.examine_by_price()
    price = program.price(choice)
    return _row(
        perturbed, choice, price, deciding(search, choice), partial(ChangedAssumption, "price", encoder, factor)
    )


def with_prices(options: Options, factors: Mapping[str, float]) -> Options:
    """Options where a piece of each type of encoder costs a factor times as much; one-off costs stay.

    Parameters
    ----------
    options : Options
    factors : mapping of encoder to factor

    Returns
    -------
    Options
    """

    def priced(option: Option) -> Option:
        factor, encoder = factors.get(option.encoder, 1.0), option.joint.encoder
        joint = replace(option.joint, encoder=replace(encoder, price=encoder.price * factor))
        return replace(option, joint=joint, price=option.price + (factor - 1.0) * encoder.price)

    tariffs = {
        name: replace(tariff, steps=tuple((least, price * factors.get(name, 1.0)) for least, price in tariff.steps))
        for name, tariff in options.purchase.tariffs.items()
    }
    joints = tuple(tuple(priced(option) for option in row) for row in options.joints)
    return replace(options, joints=joints, purchase=replace(options.purchase, tariffs=tariffs))


def _repriced(program: Program, options: Options) -> Program:
    """Program for other prices of the same options, with all that is known to fail."""
    return replace(
        program, options=options, limit=program.limit.copy(),
        refused=[*program.refused], dominated=[*program.dominated],
        excluded_neighbourhoods=[*program.excluded_neighbourhoods], cuts=[*program.cuts],
        visit_rows=[*program.visit_rows], turning_cuts=[*program.turning_cuts],
    )  # fmt: skip


def _physical(record: SearchState, choice: Choice) -> Iterator[ChangedAssumption]:
    machine = record.search.study.scenario.machine
    options = record.search.options
    all_joints = [*machine.joints, *(row[n].joint for row, n in zip(options.joints, choice, strict=True))]
    if any(joint.transmission.with_tolerances(GEAR_FACTOR) != joint.transmission for joint in all_joints):
        yield _with_machine(
            record, choice, machine, with_gears, partial(ChangedAssumption, "gear tolerances", "", GEAR_FACTOR)
        )
    rises = [machine.environment.temperature_rise, *(joint.temperature_rise for joint in all_joints)]
    if any(rise is not None and rise.at_end.mean != rise.mean for rise in rises):
        environment = replace(machine.environment, temperature_rise=_at_end(machine.environment.temperature_rise))
        yield _with_machine(
            record, choice, replace(machine, environment=environment), with_rise,
            partial(ChangedAssumption, "temperature rise", "", None),
        )  # fmt: skip


def with_gears(joint: Joint) -> Joint:
    """Joint whose gear has larger tolerances."""
    return replace(joint, transmission=joint.transmission.with_tolerances(GEAR_FACTOR))


def with_rise(joint: Joint) -> Joint:
    """Joint whose temperature rise is fixed at its largest value."""
    return replace(joint, temperature_rise=_at_end(joint.temperature_rise))


def _at_end(rise: Distribution | None) -> Distribution | None:
    return None if rise is None else rise.at_end


def _with_machine(
    record: SearchState,
    choice: Choice,
    machine: Machine,
    changed: Callable[[Joint], Joint],
    row: Callable[..., ChangedAssumption],
) -> ChangedAssumption:
    options = record.search.options
    joints = tuple(tuple(replace(option, joint=changed(option.joint)) for option in of) for of in options.joints)
    machine = replace(machine, joints=tuple(changed(joint) for joint in machine.joints))
    study, silent = record.search.study.with_scenario(machine=machine), record.search.run_options.silent
    chosen = [of[n] for of, n in zip(joints, choice, strict=True)]
    fitted_machine = replace(machine, joints=options.fitted_joints(chosen))
    tasks, _ = study.with_scenario(machine=fitted_machine).judge(record.search.poses, silent)
    price, of_choice = record.program.price(choice), _deciding(tasks)
    if met(tasks) and all(fits_joint(study, option) for option in chosen):
        return row(True, price, record.search.design(choice), price, of_choice, False)
    try:
        search = Search(study, replace(options, joints=joints), silent)
    except InputError:  # no option of some joint meets what is required of it alone
        return row(False, price, None, None, of_choice, True)
    perturbed = SearchState(search, search.trained_program(), most_sampled=MOST_SAMPLED, most_left=MOST_LEFT)
    perturbed.descend()
    return _row(perturbed, None, price, of_choice, row)


def _row(
    record: SearchState,
    choice: Choice | None,
    price: float,
    of_choice: DecidingCriterion,
    row: Callable[..., ChangedAssumption],
) -> ChangedAssumption:
    """Row of a search with one changed assumption; ``choice`` is None where it fails the requirement."""
    complete, search, best = record.sample_remaining(), record.search, record.best
    if best is None:
        return row(False, price, None, None, of_choice, complete)
    cheapest = record.program.price(best)
    unchanged = choice is not None and price <= cheapest + cent(cheapest)
    design = best if choice is None or not unchanged else choice
    design_price = record.program.price(design)
    return row(unchanged, price, search.design(design), design_price, deciding(search, design), complete)
