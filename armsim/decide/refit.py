"""The cheapest change to the present design, at one joint or at two."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from armsim.assessment import state_of_all
from armsim.decide.decision_records import DecidingCriterion, Refit
from armsim.decide.designs import fitted
from armsim.decide.joint_filter import fits_joint
from armsim.decide.ledger import binding, met
from armsim.decide.robustness import MOST_LEFT, MOST_SAMPLED, deciding_criterion
from armsim.decide.search import Search
from armsim.decide.select import SearchState
from armsim.documents.catalogue_document import AS_IT_IS
from armsim.model.joint import Joint
from armsim.model.joint_options import Option
from armsim.model.purchase import Purchase

MOST_CHANGES = 2
"""Largest number of joints that change."""


def refits(search: Search) -> Iterator[Refit]:
    """The design of the scenario, and the cheapest designs that change only a few of its joints.

    The present fit of a joint counts as one more option, at its own price. The limits of the catalogue hold for the
    whole design.

    Parameters
    ----------
    search : Search
        A search that has ended; its samples are used again.

    Yields
    ------
    Refit
        The design as it is, then the cheapest with one and with two changed joints.
    """
    options, study = search.options, search.study
    present = [present_option(joint, options.purchase) for joint in study.scenario.machine.joints]
    tasks, _ = study.judge(search.poses, search.run_options.silent)
    fits = [fits_joint(study, option) for option in present]
    present_options = replace(options, joints=tuple((option,) for option in present))
    task, judgement = binding(tasks)
    design, price = fitted(present_options, (0,) * len(present)), options.price(present)
    state = state_of_all(tasks) if all(fits) else "not met"
    yield Refit(0, (), design, price, all(fits) and met(tasks), state, DecidingCriterion(task.name, judgement), True)
    rows = zip(options.joints, present, fits, strict=True)
    extended = replace(options, joints=tuple(_extended(*row) for row in rows), changes=MOST_CHANGES)
    as_it_is = tuple(next((n for n, o in enumerate(row) if o.present), -1) for row in extended.joints)
    few_changes = search.with_further(extended)
    if all(fits):
        few_changes.ledger.verdicts[as_it_is] = tasks
    for most in range(1, MOST_CHANGES + 1):
        yield _cheapest(few_changes.with_options(replace(extended, changes=most)), most)


def _extended(row: tuple[Option, ...], present: Option, fits: bool) -> tuple[Option, ...]:
    """Options of a joint with its present one added, unless that fails the requirements on the joint alone."""
    same = tuple(replace(option, present=option.joint == present.joint) for option in row)
    return same if any(option.present for option in same) or not fits else (*same, present)


def present_option(joint: Joint, purchase: Purchase) -> Option:
    """The present fit of a joint, as an option.

    Parameters
    ----------
    joint : Joint
    purchase : Purchase
        Whose prices by quantity and one-off costs count for the types that it knows, not those of the joint.

    Returns
    -------
    Option
    """
    price, encoder = joint.price, joint.encoder
    if encoder.name in purchase.tariffs:
        price += encoder.price - joint.encoders_price - joint.fitting.one_off
        price += 0.0 if joint.motor_encoder is None else joint.motor_encoder.price
    return Option(joint, encoder.name, AS_IT_IS, joint.placement, price, encoder.mass, present=True)


def _cheapest(search: Search, most: int) -> Refit:
    record = SearchState(search, search.program(), most_sampled=MOST_SAMPLED, most_left=MOST_LEFT)
    record.descend()
    complete, best = record.sample_remaining(), record.best
    closest = min(record.misses, key=lambda choice: record.misses[choice], default=None) if best is None else best
    if closest is None:
        return Refit(most, (), None, None, False, "not met", None, complete)
    chosen = zip(search.options.joints, closest, strict=True)
    joints = tuple(row[n].joint.name for row, n in chosen if not row[n].present)
    return Refit(
        most, joints, search.design(closest), record.program.price(closest), best is not None,
        state_of_all(search.verdict(closest)), deciding_criterion(search, closest), complete,
    )  # fmt: skip
