"""What the deciding functions say: made by hand, so that every branch of a sentence is held against its numbers."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import jsonschema
import numpy as np
import pytest
from support import ROOT, few_arms_of_sensitivities, invoke, normal_machine, planar_arm
from test_select import chosen, small_case

import armsim
from armsim.cli.printing import exit_code
from armsim.criteria import CriterionChange
from armsim.decide import allocate, compare, resolving, select, sensitivities, sweep, trade_off, what_if
from armsim.decide.compare import TaskDifference
from armsim.decide.resolving import search_until_resolved
from armsim.decide.schemas import RECORDS
from armsim.decide.search import EQUAL_SHARE, Search
from armsim.decide.selection import Selection
from armsim.errors import InputError
from armsim.report import decision_sentences
from armsim.report.decision_review import PROVED, design_frame, rejected_frame, selection_printout
from armsim.report.decision_sentences import grounds
from armsim.report.frame import Frame
from armsim.requirement import Verdict
from armsim.requirement.requirement import Requirement
from armsim.run_options import RunOptions
from armsim.sampling.paired_difference import Difference
from armsim.study import Study


@pytest.fixture(scope="module")
def case() -> Selection:
    selection = chosen(75e-6)
    assert selection.confirmation is not None
    assert len(selection.refuted) >= 3
    return selection


def with_states(selection: Selection, sampled: Verdict, confirmed: Verdict) -> Selection:
    """A selection whose criteria and whose confirmation are in the given states."""
    tasks = []
    for task in selection.tasks:
        judgements = tuple(replace(judgement, state=sampled) for judgement in task.summary.judgements)
        tasks.append(replace(task, summary=replace(task.summary, state=sampled, judgements=judgements)))
    assert selection.confirmation is not None
    return replace(selection, tasks=tuple(tasks), confirmation=replace(selection.confirmation, state=confirmed))


@pytest.mark.parametrize("confirmed", ["met", "not resolved"])
@pytest.mark.parametrize("sampled", ["met", "not resolved"])
def test_what_is_said_of_the_confirmation(case: Selection, confirmed: Verdict, sampled: Verdict) -> None:
    """What the sample leaves open is said, and the answer is as sure as the less sure of its two populations."""
    changed = with_states(case, sampled, confirmed)
    text = " ".join(grounds(changed))
    assert ("Not resolved: " in text) == (sampled == "not resolved")
    assert ("the requirement is not resolved: more" in text) == (sampled == "met" and confirmed == "not resolved")
    assert changed.state == ("met" if sampled == confirmed == "met" else "not resolved")


def test_the_first_sentence_is_what_to_buy_and_how_sure_that_is(case: Selection) -> None:
    """Types with their numbers, price, margin; arms by the judgement that needs most. Source: counted here."""
    pieces = [part.encoder for part in case.closest]
    sure = decision_sentences.answer(with_states(case, "met", "met"))
    first = max(set(pieces), key=pieces.count)
    assert sure.startswith("Buy ")
    assert f"{pieces.count(first)} x {first}" in sure
    assert f"the cheapest choice costs {case.price:g} cost units; " in sure
    assert " required; met by the whole interval on two populations." in sure
    unsure = with_states(case, "not resolved", "not resolved")
    tasks = [
        replace(task, summary=replace(task.summary, judgements=tuple(
            replace(judgement, units_to_resolve=4000 + 1000 * n) for n, judgement in enumerate(task.summary.judgements)
        )))
        for task in unsure.tasks
    ]  # fmt: skip
    most = 4000 + 1000 * (max(len(task.summary.judgements) for task in tasks) - 1)
    unsure = replace(unsure, tasks=tuple(tasks))
    assert decision_sentences.answer(unsure).endswith(f"not resolved: about {most} arms would resolve it.")
    assert unsure.confirmation is not None
    later = replace(unsure, confirmation=replace(unsure.confirmation, units_to_resolve=50_000))
    assert decision_sentences.answer(later).endswith("not resolved: about 50000 arms would resolve it.")


def test_the_answer_comes_first_and_the_joints_at_once(case: Selection) -> None:
    """Then what cheaper designs miss, and at the end what was proved."""
    printout = list(selection_printout(case))
    texts = [part for part in printout if isinstance(part, str)]
    assert printout[0] == decision_sentences.answer(case)
    joints, cheaper = (part for part in printout[1:3] if isinstance(part, Frame))
    assert [cell.text for cell in dict(zip(joints.headers, zip(*joints.rows, strict=True), strict=True))["joint"]] == [
        *(part.joint for part in case.closest), "all",
    ]  # fmt: skip
    assert cheaper.headers[:2] == ("price", "joints that differ from the choice")
    assert texts[1:] == [f"{PROVED}:", *grounds(case)]
    assert printout[-len(texts) + 1 :] == texts[1:]


def test_shares_of_the_joints_are_those_of_the_task_that_decides(case: Selection) -> None:
    """Source: contributions of the task, added here; links have the rest."""
    task = max(case.tasks, key=lambda task: task.summary.judgements[0].utilisation)
    parts = task.summary.contributions
    for joint in case.machine.joints:
        expected = sum(part.share for part in parts if part.owner == joint.name)
        assert case.shares[joint.name] == pytest.approx(expected)
    assert sum(case.shares.values()) < 1.0 == pytest.approx(sum(part.share for part in parts))
    column = next(column for column in design_frame(case).columns if column.name.startswith("share"))
    assert column.values == pytest.approx((*case.shares.values(), sum(case.shares.values())))


def test_what_cheaper_designs_miss_is_in_the_table_with_its_interval(case: Selection) -> None:
    """Source: value less limit, and the ends of the interval less the limit, from the record."""
    frame = rejected_frame(case)
    rows = sorted(case.refuted, key=lambda row: (row.undecided is None, -row.price))
    cells = {header: [cell.text for cell in column] for header, column in zip(
        frame.headers, zip(*frame.rows, strict=True), strict=True)}  # fmt: skip
    for number, row in enumerate(rows):
        judgement = row.misses[0].judgement
        assert not judgement.holds
        assert judgement.utilisation == max(miss.judgement.utilisation for miss in row.misses)
        assert judgement.limit is not None
        assert judgement.interval is not None
        factor = 100.0 if judgement.quantity == "share" else 1e6
        gaps = [end - judgement.limit for end in (judgement.value, *judgement.interval)]
        value, low, high = [-gaps[0], -gaps[2], -gaps[1]] if judgement.at_least else gaps
        figures = re.findall(r"-?<?\d+\.?\d*", cells["misses it by"][number])
        for figure, gap in zip(figures, (value, low, high), strict=True):
            half_a_digit = 0.5 * 10.0 ** -len(figure.partition(".")[2])
            number_ = float(figure.replace("<", ""))
            assert abs(number_ - factor * gap) <= half_a_digit * (1 + 1e-9) or figure.startswith("<")
        open_ = judgement.interval[0] <= judgement.limit <= judgement.interval[1]
        assert bool(cells["arms to resolve it"][number]) == open_
    assert [tuple(part.encoder for part in row.design) for row in rows] != []


@pytest.mark.parametrize(("closest", "code"), [("not met", 1), ("not resolved", 4)])
def test_where_none_was_found_the_closest_set_tells_the_exit(case: Selection, closest: Verdict, code: int) -> None:
    """An estimate beyond the limit whose interval holds it fails nothing for certain; source: the exit codes
    of the manual (guarded acceptance, JCGM 106:2012)."""
    none = replace(with_states(case, closest, "met"), design=None, price=None, confirmation=None)
    assert exit_code(none.state) == code
    assert decision_sentences.answer(none).startswith("No choice")
    assert ("not resolved" in decision_sentences.answer(none)) == (code == 4)


def test_more_arms_until_it_is_resolved() -> None:
    """Each search has more arms than the last; the answer is that of a search with as many from the start, whose
    interval keeps the limit. Source: that search.
    """
    study, options = small_case(75e-6)
    few = replace(options, joints=tuple(row[-1:] for row in options.joints))
    notes: list[str] = []
    run_options = RunOptions(1, note=notes.append)
    wide = select(study, few, run_options)
    limit = wide.tasks[0].summary.at_coverage * 1.02
    study = study.with_scenario(requirement=Requirement(limit))
    assert select(study, few, run_options).state == "not resolved"
    selection, record = search_until_resolved(study, few, run_options)
    units = [attempt.units for attempt in selection.attempts]
    assert units[0] == 200
    assert units == sorted(set(units))
    assert [attempt.state for attempt in selection.attempts][:-1] == ["not resolved"] * (len(units) - 1)
    assert selection.state == "met"
    assert selection.units_to_resolve is None
    same = select(study.with_plan(units=units[-1]), few, run_options)
    assert (same.price, same.tasks[0].summary) == (selection.price, selection.tasks[0].summary)
    assert record.search.study.scenario.plan.units == units[-1]
    assert sum("begins anew" in note for note in notes) == len(units) - 1


def test_what_it_cost_is_said_where_it_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """The limit is the figure itself: no number of arms within bounds resolves it."""
    monkeypatch.setattr(resolving, "MOST_UNITS_FACTOR", 3)
    study, options = small_case(75e-6)
    few = replace(options, joints=tuple(row[-1:] for row in options.joints))
    figure = select(study.with_plan(units=600), few, RunOptions(1)).tasks[0].summary.at_coverage
    study = study.with_scenario(requirement=Requirement(figure * (1.0 + 1e-4)))
    selection, _ = search_until_resolved(study, few, RunOptions(1))
    assert selection.state == "not resolved"
    designs = sum(attempt.sampled for attempt in selection.attempts)
    searches = "a search" if len(selection.attempts) == 1 else f"{len(selection.attempts)} searches"
    text = f"not resolved after {searches} of {designs} designs with up to {selection.attempts[-1].units} arms"
    assert text in decision_sentences.answer(selection)
    assert selection.attempts[-1].units <= 600


def test_what_is_said_of_the_closest_cheaper_ones(case: Selection) -> None:
    selection = case
    open_, closed, unknown = (
        replace(row, undecided=undecided)
        for row, undecided in zip(selection.refuted, (True, False, None), strict=False)
    )
    text = grounds(replace(selection, refuted=(open_, closed, unknown)))
    assert (
        f"Of the 2 closest cheaper designs 1 miss the requirement by less than this sample resolves, the cheapest for {open_.price:g}."
        in text
    )
    assert "closest cheaper" not in " ".join(grounds(replace(selection, refuted=(closed, unknown))))


def test_what_stands_in_the_way_is_the_largest_part() -> None:
    """Source: shares of the worst pose, those of the bias by their cause, added here."""
    selection = chosen(5e-6)
    text = " ".join(grounds(selection))
    worst = max(selection.tasks, key=lambda task: task.summary.at_coverage)
    row = worst.table[worst.worst]
    parts: dict[str, float] = {}
    for shares in (row.shares, row.bias_shares):
        for owner, causes in shares.items():
            for cause, share in causes.items():
                if owner != "bias":
                    parts[f"{cause} of {owner}"] = parts.get(f"{cause} of {owner}", 0.0) + share
    largest = max(parts, key=lambda name: parts[name])
    assert sum(parts.values()) == pytest.approx(1.0)
    assert f"The largest contribution there is {largest}, {100 * parts[largest]:.2g} %" in text


def difference(gained: float, interval: tuple[float, float] | None, price: float) -> TaskDifference:
    change = CriterionChange(
        "position", "errors", "95 % quantile at the worst pose", "length", False, "", Difference(-gained, interval),
        (1e-4, 1e-4 - gained), ("met", "met"),
    )  # fmt: skip
    return TaskDifference("t", "other", (change,), price, ("p",), np.array([-gained]), np.array([1e-9]))


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        (difference(1e-5, (-1.1e-5, -0.9e-5), 0.5), "takes 10.0 µm (9.0 to 11.0) off"),
        (difference(1e-5, (-1.1e-5, -0.9e-5), 0.5), "for 0.5 cost units more: 20.0 µm per cost unit"),
        (difference(0.0, None, 0.0), "takes 0 "),
        (difference(-1e-5, (0.9e-5, 1.1e-5), -2.0), "adds 10.0 µm (9.0 to 11.0) to"),
        (difference(-1e-5, (0.9e-5, 1.1e-5), -2.0), "for 2 cost units less"),
        (difference(1e-5, (-3e-5, 1e-5), 2.0), "no significant effect on the 95 % quantile at the worst pose"),
    ],
)
def test_the_sentence_of_a_difference(row: TaskDifference, sentence: str) -> None:
    assert sentence in decision_sentences.difference(row)


def test_a_design_that_asks_for_nothing() -> None:
    study = armsim.load(ROOT / "scenarios" / "bonding-cell.yaml").with_plan(units=20, visits=2)
    study = study.with_scenario(tasks=study.scenario.tasks[:1])
    other = study.with_scenario(name="other", requirement=None)
    assert any(
        "'other' asks for nothing" in note
        for note in decision_sentences.other_requirements(compare([study, other], RunOptions(1)))
    )


def test_a_study_without_files_that_requires_nothing() -> None:
    study, _ = small_case(1e-4)
    bare = study.with_scenario(sources=(), file=None, requirement=None)
    with pytest.raises(InputError, match=r"^scenario:1:1: requirement: missing"):
        allocate(bare)


def test_only_the_worst_poses_are_changed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Source: the planar arm: the stretched pose has the longer lever."""
    from armsim.decide import perturbation
    from armsim.sampling_plan import SamplingPlan
    from armsim.scenario import Scenario
    from armsim.tasks import NamedPose, Poses

    monkeypatch.setattr(perturbation, "MOST_POSES", 1)
    poses = (NamedPose("folded", (0.0, 2.5)), NamedPose("stretched", (0.0, 0.0)))
    machine = normal_machine(planar_arm(0.3, 0.3), 1e-4, 1e-4)
    study = Study(Scenario("two", machine, (Poses("t", poses),), SamplingPlan(40, 3, 1), None, ()))
    table = what_if(study, RunOptions(1))
    (task,) = table.result.tasks
    assert list(task.poses.names) == ["stretched"]
    assert {row.task for row in table.rows} == {"t"}
    text = "changes are evaluated at 1 of the 2 poses of t: those with the largest figures of any criterion"
    assert text in table.result.warnings
    assert text in sensitivities(study, RunOptions(1)).result.warnings
    monkeypatch.undo()
    assert not [one for one in what_if(study, RunOptions(1)).result.warnings if "count here" in one]


def test_the_curve_steps_by_shares_of_the_error() -> None:
    """However loose the requirement is, the curve has the same points; each is told as it is found."""
    notes: list[str] = []
    study, options = small_case(75e-6)
    few = replace(options, joints=options.joints[:3] + tuple(row[:1] for row in options.joints[3:]))
    tight = trade_off(study, few, RunOptions(1, note=notes.append))
    study, options = small_case(2e-3)
    loose = trade_off(study, few, RunOptions(1))
    assert [point.price for point in loose.points] == [point.price for point in tight.points]
    lines = [line for line in notes if "price" in line or "cost" in line]
    assert len(lines) >= len(tight.points)


@pytest.mark.parametrize(("excess", "expected"), [(1.1, (1.1**2 - 1) / 12), (1.0, EQUAL_SHARE), (0.5, EQUAL_SHARE)])
def test_how_much_alike_designs_are(excess: float, expected: float) -> None:
    """A twelfth of what is missing in mean square, spread over six joints. Source: by hand."""
    study, options = small_case(75e-6)
    search = Search(study, options, RunOptions(1))
    assert len(options.joints) == 6
    assert search.no_better_share(excess) == pytest.approx(expected)


def test_every_answer_keeps_to_its_published_schema(case: Selection) -> None:
    """What `armsim schema` prints holds for what the commands print."""
    study, options = small_case(75e-6)
    study = study.with_plan(units=60, visits=2)
    wrist = armsim.load(ROOT / "scenarios" / "bonding-cell-wrist.yaml")
    answers: dict[str, Any] = {
        "selection": case,
        "trade-off": trade_off(study, options, RunOptions(1)),
        "what-if": what_if(study, RunOptions(1)),
        "sweep": sweep(
            wrist.with_scenario(tasks=wrist.scenario.tasks[:1]).with_plan(60, 2),
            "joints.j1.mastering",
            ["1 arcsec"],
            RunOptions(1),
        ),
        "allocation": allocate(study.with_scenario(requirement=Requirement(120e-6)), run_options=RunOptions(1)),
        "comparison": compare([study, wrist.with_scenario(tasks=study.scenario.tasks)], RunOptions(1)),
    }
    with few_arms_of_sensitivities():
        answers["sensitivity"] = sensitivities(study, RunOptions(1))
    assert set(answers) == set(RECORDS) - {"check", "curve", "verify", "calibrate"}  # held where they are tested
    for name, answer_ in answers.items():
        data = json.loads(json.dumps(answer_.to_dict(), allow_nan=False))
        assert next(iter(data)) == "format"
        jsonschema.validate(data, json.loads(invoke("schema", name).stdout))
