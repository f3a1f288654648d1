"""The choice held against full enumeration, on thinned cases of `enumeration`.

Source: full enumeration, every design sampled.
"""

import itertools
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from enumeration import (
    CASES,
    Enumerated,
    beaten,
    build,
    chosen,
    compare,
    enumerate_all,
    fitted_with,
    levels,
    squares,
    turned_levels,
)

from armsim.decide import trade_off
from armsim.decide.decision_records import FittedEncoder
from armsim.decide.program import Choice
from armsim.decide.search import Search
from armsim.report.decision_sentences import answer, curve_in_words
from armsim.report.gallery import trade_off_figure
from armsim.report.trade_off_review import trade_off_answer
from armsim.requirement.requirement import Requirement, TaskLimits
from armsim.run_options import RunOptions

LEVELS, PER_LEVEL = 3, 5
THINNED = 3
"""Options of a joint that are kept."""


@pytest.fixture(scope="module", params=list(CASES))
def every(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Enumerated:
    study, options = build(tmp_path_factory.mktemp(request.param), request.param)
    return enumerate_all(
        study.with_plan(units=200, visits=4), replace(options, joints=tuple(row[:THINNED] for row in options.joints))
    )


def test_the_cheapest_choice_is_that_of_enumeration(every: Enumerated) -> None:
    """Position, RP and yield, alone and together. Source: full enumeration, every design sampled."""
    # of the level that nothing holds one is enough; of those that some designs hold the middle one
    first, *_ = every_level = list(levels(every, LEVELS))
    rows = [
        (requirement, *compare(every, requirement)) for requirement in [first, *every_level[PER_LEVEL : 2 * PER_LEVEL]]
    ]
    wrong = [
        (requirement, least, selection.price, verdict)
        for requirement, least, selection, _, verdict in rows
        if verdict != "ok"
    ]
    assert not wrong
    assert all(selection.proved for _, _, selection, *_ in rows)
    assert sum(least is not None for _, least, *_ in rows) > len(rows) / 2


def thinned(
    folder: Path, name: str, seed: int, units: int, coverage: float = 0.95, options_left: int = THINNED
) -> Enumerated:
    study, options = build(folder, name)
    few = replace(options, joints=tuple(row[:options_left] for row in options.joints))
    return enumerate_all(study.with_plan(units, 4, seed), few, coverage)


@pytest.mark.parametrize(("name", "seed"), [("tied", 3), ("visits", 1), ("means", 2)])
def test_few_units_change_nothing(tmp_path: Path, name: str, seed: int) -> None:
    """Of 100 units what holds on their population is the answer, whatever another population makes of it.

    Source: full enumeration, every design sampled.
    """
    every = thinned(tmp_path, name, seed, 100)
    rows = [(requirement, *compare(every, requirement)) for requirement in list(levels(every, 4))[PER_LEVEL + 1 :: 2]]
    assert not [
        (requirement, least, selection.price, verdict)
        for requirement, least, selection, _, verdict in rows
        if verdict != "ok"
    ]


@pytest.mark.parametrize(
    ("name", "coverage", "units"), [("visits", 0.99, 200), ("heat", 0.9, 200), ("means", 0.99, 2000)]
)
def test_the_coverage_required_decides(tmp_path: Path, name: str, coverage: float, units: int) -> None:
    """Choice, figures, sentences and curve at another coverage than 95 %. Source: full enumeration, at that coverage."""
    every = thinned(tmp_path, name, 4, units, coverage)
    requirement = list(levels(every, 4))[PER_LEVEL]  # of the position alone
    least, selection, _, verdict = compare(every, requirement)
    assert verdict == "ok"
    error = every.quantile[every.choices.index(number_of(every, selection.closest))]
    decides = max(selection.tasks, key=lambda task: task.summary.at_coverage).summary.judgements[0]
    assert decides.value == error
    assert f"{coverage * 100:g} % of errors lie within {decides.figure}" in answer(selection)
    curve = trade_off(every.study.with_scenario(requirement=requirement), every.options, RunOptions(1))
    assert (curve.cheapest, curve.coverage) == (least, coverage)
    assert f"{coverage * 100:g} % of errors" in curve_in_words(curve)
    for point in curve.points:
        assert point.sampled == every.quantile[every.choices.index(number_of(every, point.design))]


@pytest.mark.parametrize("listed", [100_000, 0])
def test_the_orientation_alone_decides(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, listed: int) -> None:
    """On a SCARA whose last joint turns the tool in place; with nothing listed, by the program and its bounds alone.

    Source: full enumeration, every design sampled.
    """
    monkeypatch.setattr(sys.modules["armsim.decide.search_state"], "MOST_LISTED", listed)
    every = thinned(tmp_path, "scara", 2, 200, options_left=5)
    rows = [(requirement, *compare(every, requirement)) for requirement in turned_levels(every, 2)]
    wrong = [
        (requirement, least, selection.price, verdict)
        for requirement, least, selection, _, verdict in rows
        if verdict != "ok"
    ]
    assert not wrong
    assert all(least is not None for _, least, *_ in rows)
    by_position = [every.prices[every.quantile <= requirement.position].min() for requirement, *_ in rows]
    assert (
        sum(row[1] > price for row, price in zip(rows, by_position, strict=True)) >= 3
    )  # it is the orientation that binds
    named = 0
    for requirement, _, selection, *_ in rows:
        (task,) = selection.tasks
        loads = {judgement.criterion: judgement.utilisation for judgement in task.summary.judgements}
        turned = loads.get("orientation", 0.0) > loads["position"]
        if requirement.orientation_repeatability is None:
            assert ("of orientation errors lie within" in answer(selection)) == turned
            named += turned
    assert named
    if listed:
        assert all(selection.proved for _, _, selection, *_ in rows)
        bounded = {symbol for _, _, selection, *_ in rows for symbol in selection.proof.bounded_by}
        assert bounded == {"orientation RP"}


def test_a_trade_off_shows_the_limit_of_every_task(tmp_path: Path) -> None:
    """Two tasks of the same poses, one with a limit of its own, which decides. Source: the requirement."""
    study, options = build(tmp_path, "scara")
    few = replace(options, joints=tuple(row[:2] for row in options.joints))
    (task,) = study.scenario.tasks
    requirement = Requirement(1e-3, orientation=2e-3, tasks={"fine": TaskLimits(position=60e-6)})
    study = study.with_plan(60, 3).with_scenario(tasks=(task, replace(task, name="fine")), requirement=requirement)
    curve = trade_off(study, few, RunOptions(1))
    assert curve.limits == {"t": 1e-3, "fine": 60e-6}
    drawing = trade_off_figure(curve, "trade-off").draw()
    texts = [text.get_text() for axes in drawing.axes for text in axes.get_legend().get_texts()]
    assert {"required 1.00 mm at t", "required 60.0 µm at fine"} <= set(texts)
    assert "for fine 95 % of errors within 60.0 µm" in trade_off_answer(curve)


def test_the_curve_tells_all_criteria_of_all_tasks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Orientation, RP, and limits of a task of its own, at every point, whatever pose of the error comes first.

    Source: every design, sampled at all poses of both tasks.
    """
    monkeypatch.setattr(sys.modules[Search.__module__], "FEW_POSES", 1)
    study, options = build(tmp_path, "scara")
    few = replace(options, joints=tuple(row[1::2] or row for row in options.joints))
    (task,) = study.scenario.tasks
    study = study.with_plan(60, 3).with_scenario(
        tasks=(task, replace(task, name="fine", poses=task.poses[1:3])), requirement=Requirement(1.0)
    )
    choices, sets = list(itertools.product(*(range(len(row)) for row in few.joints))), study.find()
    tables = [fitted_with(study, few, choice).judge(sets, RunOptions(1))[0] for choice in choices]

    def middle(path: str, share: float) -> float:
        worst = [max(float(of_task.table.column(path).max()) for of_task in tasks) for tasks in tables]
        return float(np.quantile(worst, share, method="lower")) * 1.001

    turned = middle("orientation_error.at_coverage", 0.3)
    fine = TaskLimits(position=middle("error.at_coverage", 0.5), orientation=0.8 * turned)
    requirement = Requirement(middle("error.at_coverage", 0.7), orientation=turned, yield_=0.8, tasks={"fine": fine})
    study = study.with_scenario(requirement=requirement)
    curve = trade_off(study, few, RunOptions(1))
    failing = []
    for point in curve.points:
        choice = next(
            choice for choice in choices
            if triples(point.design) == tuple((o.encoder, o.mounting, o.placement) for o in chosen(few, choice))
        )  # fmt: skip
        tasks, _ = fitted_with(study, few, choice).judge(sets, RunOptions(1))
        failed = {criterion for of_task in tasks for criterion in of_task.summary.failed}
        assert bool(point.failed) == bool(failed)
        assert {*point.failed} <= failed
        failing.append({*point.failed})
    assert set() in failing
    assert any("orientation" in failed for failed in failing)


def number_of(every: Enumerated, design: Sequence[FittedEncoder]) -> Choice:
    return next(choice for choice in every.choices if design_of(every, choice) == triples(design))


def test_designs_of_the_same_price_are_listed(tmp_path: Path) -> None:
    """All that hold for the price of the answer, none else, the smallest error first. Source: full enumeration."""
    every = thinned(tmp_path, "means", 2, 200)
    names = [design_of(every, choice) for choice in every.choices]
    several = 0
    for requirement in list(levels(every, 4))[PER_LEVEL::2]:
        least, selection, *_ = compare(every, requirement)
        assert least is not None
        same = np.flatnonzero(every.met(requirement) & (np.abs(every.prices - least) < 1e-6))
        ordered = sorted(same.tolist(), key=lambda n: every.quantile[n])
        assert [triples(selection.closest), *(triples(equal.design) for equal in selection.equals)] == [
            names[n] for n in ordered
        ]
        assert [equal.at_coverage for equal in selection.equals] == [every.quantile[n] for n in ordered[1:]]
        assert selection.proof.same_price_complete
        several += len(ordered) > 1
    assert several > 1


@pytest.mark.parametrize("listed", [100_000, 0])
def test_the_trade_off_names_the_same_design(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, listed: int) -> None:
    """The answer of `select` is a point of the curve, and no cheaper point meets the requirement.

    Source: the enumeration's own sample of every point. With nothing listed, as in a catalogue too large for that.
    """
    monkeypatch.setattr(sys.modules["armsim.decide.search_state"], "MOST_LISTED", listed)
    every = thinned(tmp_path, "means", 2, 100)
    number = {design_of(every, choice): n for n, choice in enumerate(every.choices)}
    for requirement in list(levels(every, 4))[PER_LEVEL::4]:
        least, selection, *_ = compare(every, requirement)
        curve = trade_off(every.study.with_scenario(requirement=requirement), every.options, RunOptions(1))
        assert curve.cheapest == selection.price == least
        assert triples(selection.closest) in [triples(point.design) for point in curve.points]
        for point in curve.points:
            if point.price <= selection.price:
                assert (not point.failed) == every.met(requirement)[number[triples(point.design)]]


def triples(design: Sequence[FittedEncoder]) -> tuple[tuple[str, str, str], ...]:
    return tuple((fitted.encoder, fitted.mounting, fitted.placement) for fitted in design)


def design_of(every: Enumerated, choice: Choice) -> tuple[tuple[str, str, str], ...]:
    return tuple((option.encoder, option.mounting, option.placement) for option in chosen(every.options, choice))


@pytest.mark.parametrize("every", ["heat", "means"], indirect=True)
def test_parts_add_up_as_vectors(every: Enumerated) -> None:
    """Means and shared heat add and cancel. Source: the whole machine of every design, linearised."""
    parts, machines = squares(every)
    np.testing.assert_allclose(parts, machines, rtol=1e-9)


@pytest.mark.parametrize("every", ["heat"], indirect=True)
def test_no_design_beats_a_point_of_the_trade_off(every: Enumerated) -> None:
    """Source: full enumeration, by first order of the whole machine of every design."""
    points, wrong = beaten(every, float(np.median(every.quantile)))
    assert points > 1
    assert not wrong
