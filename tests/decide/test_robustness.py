"""Whether a choice stands, and the cheapest change to a design, against full enumeration.

Source: every design of a thinned catalogue, changed by hand and sampled.
"""

import itertools
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from enumeration import CASES, GEARED, Enumerated, build, chosen, enumerate_all, fitted_with
from test_select import admissible, random_program

from armsim.decide.decision_records import ChangedAssumption, FittedEncoder
from armsim.decide.designs import cheaper_than
from armsim.decide.near_designs import near_designs
from armsim.decide.refit import present_option, refits
from armsim.decide.robustness import robustness
from armsim.decide.search import Search
from armsim.decide.select import run_search
from armsim.model.joint_options import Option, Options
from armsim.requirement.requirement import Requirement
from armsim.run_options import RunOptions
from armsim.study import Study

CENT = 1e-6
OTHERWISE = {
    "visits": {"fitted": GEARED % (4, 21, 13.5) + GEARED % (4, 39, 18) + GEARED % (8, 45, 30) + GEARED % (12, 90, 45)},
    "heat": {"scenario": "environment: {temperature_rise: {limit: 9 K, distribution: fixed}}"},
}
"""What the documents of a case say with gears of 1.5 times the tolerance, or three standard deviations of heat."""


def thin(folder: Path, name: str, number: int = 3) -> tuple[Study, Options]:
    study, options = build(folder, name)
    study = study.with_plan(units=100, visits=4)
    return study, replace(options, joints=tuple(row[:number] for row in options.joints))


def names(row: Sequence[Option] | Sequence[FittedEncoder]) -> tuple[tuple[str, str], ...]:
    return tuple((part.encoder, part.placement) for part in row)


def cheapest(
    every: Enumerated, good: np.ndarray, prices: np.ndarray
) -> tuple[float, list[tuple[tuple[str, str], ...]]]:
    """Price, and the designs of that price."""
    least = prices[good].min()
    same = np.flatnonzero(good & (prices < least + CENT))
    return float(least), [names(chosen(every.options, every.choices[n])) for n in same]


@pytest.mark.parametrize(("name", "share"), [("visits", 0.2), ("heat", 0.05)])
def test_rows_are_the_answers_of_changed_catalogues(tmp_path: Path, name: str, share: float) -> None:
    """Prices of every type and of all, raised and lowered; gears and heat by documents that say so."""
    every = enumerate_all(*thin(tmp_path, name))
    requirement = Requirement(float(np.quantile(every.quantile, share, method="lower")) * 1.02, every.coverage)
    study, good = every.study.with_scenario(requirement=requirement), every.met(requirement)
    selection, record = run_search(Search(study, every.options, RunOptions(1)))
    rows = robustness(record)
    first = names(selection.closest)
    of_price = {(row.encoder, row.factor): row for row in rows if row.what == "price"}
    types = {option.encoder for row in every.options.joints for option in row}
    changed = 0
    for encoder, factor in itertools.product(["", *types], (1.2, 0.8)):
        prices = every.prices.copy()
        for n, choice in enumerate(every.choices):
            bought = [option for option in chosen(every.options, choice) if encoder in ("", option.encoder)]
            prices[n] += (factor - 1) * sum(option.joint.encoder.price for option in bought)
        least, designs = cheapest(every, good, prices)
        row = of_price.pop((encoder, factor), None)
        if row is None:
            assert encoder not in {part.encoder for part in selection.closest}
            assert factor > 1
            assert first in designs
            continue
        check(row, least, designs, first)
        changed += not row.unchanged
    assert not of_price
    assert changed or name != "heat"
    physical = [row for row in rows if row.what != "price"]
    assert [row.what for row in physical] == [{"visits": "gear tolerances", "heat": "temperature rise"}[name]]
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(CASES, name, CASES[name] | OTHERWISE[name])
        other = enumerate_all(*thin(tmp_path, name))
    (row,) = physical
    good = other.met(requirement)
    if not good.any():
        assert row.design is None
        return
    least, designs = cheapest(other, good, other.prices)
    check(row, least, designs, first)
    assert not row.unchanged
    assert row.design is not None
    number = [names(chosen(other.options, choice)) for choice in other.choices].index(names(row.design))
    assert row.deciding.judgement.value == pytest.approx(other.quantile[number], rel=1e-9)


def check(
    row: ChangedAssumption, least: float, designs: list[tuple[tuple[str, str], ...]], first: tuple[tuple[str, str], ...]
) -> None:
    assert row.design_price == pytest.approx(least)
    assert row.design is not None
    assert names(row.design) in designs
    assert row.unchanged == (first in designs)
    if row.unchanged:
        assert names(row.design) == first


@pytest.mark.parametrize(("name", "share"), [("visits", 0.3), ("tied", 0.3)])
def test_the_cheapest_change_is_that_of_enumeration(tmp_path: Path, name: str, share: float) -> None:
    """Every design that differs from the scenario's own at one joint or two, sampled."""
    study, options = thin(tmp_path, name)
    present = [present_option(joint, options.purchase) for joint in study.scenario.machine.joints]
    extended = replace(options, joints=tuple((*row, first) for row, first in zip(options.joints, present, strict=True)))
    few = replace(extended, changes=2)
    as_it_is = tuple(len(row) for row in options.joints)
    sets, prices, quantiles, changes = study.find(), [], [], []
    for choice in itertools.product(*(range(len(row)) for row in extended.joints)):
        number = sum(n != first for n, first in zip(choice, as_it_is, strict=True))
        fitted = chosen(extended, choice)
        if number <= 2 and extended.admits(fitted):
            assert few.admits(fitted)
            (task,), _ = (
                fitted_with(study, extended, choice)
                .with_scenario(requirement=Requirement(1.0))
                .judge(sets, RunOptions(1))
            )
            quantiles.append(task.summary.at_coverage)
            prices.append(sum(option.price for option in fitted))
            changes.append(number)
        else:
            assert not few.admits(fitted)
    position = float(np.quantile(quantiles, share, method="lower")) * 1.001
    search = Search(study.with_scenario(requirement=Requirement(position, 0.95)), options, RunOptions(1))
    run_search(search)
    rows = list(refits(search))
    assert [row.most_changes for row in rows] == [0, 1, 2]
    assert rows[0].price == pytest.approx(sum(option.price for option in present))
    for row in rows[1:]:
        good = [
            price
            for price, q, n in zip(prices, quantiles, changes, strict=True)
            if q <= position and n <= row.most_changes
        ]
        assert row.holds == bool(good)
        if good:
            assert row.price == pytest.approx(min(good))
            assert row.proved
            assert len(row.joints) <= row.most_changes
    for row in rows:  # one criterion
        assert row.deciding is not None
        assert row.state == row.deciding.judgement.state
        assert row.holds == row.deciding.judgement.holds
    assert rows[2].holds


@pytest.mark.parametrize("listed", [100_000, 0])
def test_near_designs_are_those_of_enumeration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, listed: int) -> None:
    """All that hold for at most a fifth more, by price, error, mass and types; with nothing listed, none else."""
    monkeypatch.setattr(sys.modules[near_designs.__module__], "MOST_LISTED", listed)
    monkeypatch.setattr(sys.modules[near_designs.__module__], "NEAR_PRICE", 0.2)  # prices of the case are far apart
    study, options = thin(tmp_path, "limits")
    rows = [row[:2] if number > 2 else row for number, row in enumerate(options.joints)]
    every = enumerate_all(study, replace(options, joints=tuple(rows)))
    requirement = Requirement(float(np.quantile(every.quantile, 0.1, method="lower")) * 1.02, every.coverage)
    good = every.met(requirement)
    least = every.prices[good].min()
    selection, record = run_search(Search(study.with_scenario(requirement=requirement), every.options, RunOptions(1)))
    near, complete = near_designs(record)

    def rank(n: int) -> tuple[float, float, float, int]:
        bought = chosen(every.options, every.choices[n])
        types = len({option.encoder for option in bought})
        return every.prices[n], every.quantile[n], sum(option.mass for option in bought), types

    expected = sorted(
        np.flatnonzero(good & (every.prices > least + CENT) & (every.prices <= 1.2 * least + CENT)), key=rank
    )
    assert len(expected) > 1
    by_design = {names(chosen(every.options, every.choices[n])): rank(n) for n in expected}
    assert len(by_design) == len(expected)
    rows_of_near = [(row.price, row.at_coverage, row.mass, row.types) for row in near]
    assert rows_of_near == [pytest.approx(by_design[names(row.design)]) for row in near]
    assert rows_of_near == sorted(rows_of_near)
    if listed:
        assert complete
        assert len(near) == len(expected)
    assert near
    assert selection.price == pytest.approx(least)


@pytest.mark.parametrize("seed", range(40))
def test_few_changes_are_exact_in_program_and_listing(seed: int) -> None:
    """Random small cases where at most some joints may be fitted otherwise. Source: full enumeration."""
    generator = np.random.default_rng(seed)
    program = random_program(generator)
    first = [int(generator.integers(0, len(row))) for row in program.options.joints]
    joints = tuple(
        tuple(replace(option, present=n == number) for n, option in enumerate(row))
        for row, number in zip(program.options.joints, first, strict=True)
    )
    most = int(generator.integers(0, 3))
    free = admissible(program)
    program = replace(program, options=replace(program.options, joints=joints, changes=most))
    few = [choice for choice in free if sum(n != number for n, number in zip(choice, first, strict=True)) <= most]
    listed = cheaper_than(program.options, np.inf, 10_000)
    assert listed is not None
    assert sorted(listed) == sorted(few)
    shares = {choice: float(program.largest_utilisation(choice).max()) for choice in few}
    good = [program.price(choice) for choice, share in shares.items() if share <= 1.0]
    cheapest_choice = program.cheapest()
    assert (cheapest_choice is None) == (not good)
    if cheapest_choice is not None:
        assert program.price(cheapest_choice) == min(good)
    nearest = program.closest()
    assert (nearest is None) == (not few)
    if nearest is not None:
        assert nearest[1] == pytest.approx(min(shares.values()), rel=1e-5)
