"""What a comparison says of its designs: their letters, what differs, and which of them to take."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support import ROOT

import armsim
from armsim.decide import compare
from armsim.decide.compare import Comparison
from armsim.report.compared_designs import compared_frame, lettered, letters, recommendation, short_names, what_differs
from armsim.report.comparison_review import comparison_review
from armsim.requirement.requirement import Requirement
from armsim.run_options import RunOptions
from armsim.study import Study

DEMO, BASE, WRIST = (ROOT / "scenarios" / f"bonding-cell{end}.yaml" for end in ("", "-base", "-wrist"))


def study(path: object, limit: float | None = 120e-6) -> Study:
    loaded = armsim.load(path).with_plan(units=300, visits=3)
    required = None if limit is None else Requirement(limit)
    return loaded.with_scenario(tasks=loaded.scenario.tasks[:1], requirement=required)


@pytest.fixture(scope="module")
def compared() -> Comparison:
    return compare([study(path) for path in (DEMO, BASE, WRIST)], RunOptions(1))


def test_letters_go_beyond_the_alphabet() -> None:
    assert letters(3) == ("A", "B", "C")
    assert letters(28)[25:] == ("Z", "27", "28")


@pytest.mark.parametrize(
    ("names", "short"),
    [
        (["cell, one", "cell, two"], ["one", "two"]),
        (["cell", "cell, two"], ["cell", "cell, two"]),
        (["a, b, c", "a, b, d"], ["c", "d"]),
        (["one", "two"], ["one", "two"]),
    ],
)
def test_names_without_what_they_have_in_common(names: list[str], short: list[str]) -> None:
    assert short_names(names) == short


def test_what_differs_is_told_joint_by_joint() -> None:
    """Source: the scenarios, whose sensors are read here; a change of one key names its part alone."""
    first = study(DEMO)
    base = study(BASE).scenario.machine
    text = what_differs(first.scenario.machine, base)
    changed = [one for one, old in zip(base.joints, first.scenario.machine.joints, strict=True)
               if (one.encoder.name, one.placement) != (old.encoder.name, old.placement)]  # fmt: skip
    assert text.startswith(f"{', '.join(joint.name for joint in changed)}: {changed[0].encoder.name} (output)")
    assert "arm" not in text
    assert what_differs(first.scenario.machine, study(DEMO).scenario.machine) == "nothing"
    for path, value, expected in (
        ("joints.j2.mounting.eccentricity", "3 um", "j2: mounting"),
        ("joints.*.mastering", "3 arcsec", "all joints: mastering"),
        ("joints.j3.transmission.lost_motion", "1 arcsec", "j3: gear"),
        ("joints.j4.encoder.graduation_error", "1 arcsec", "j4: encoder"),
    ):
        assert what_differs(first.scenario.machine, first.change({path: value}).scenario.machine) == expected


@pytest.mark.parametrize("limit", [60e-6, 120e-6, 10e-6, None])
def test_the_cheapest_that_meets_is_named(limit: float | None) -> None:
    """Source: states, prices and errors of the results, judged here."""
    designs = compare([study(path, limit) for path in (DEMO, BASE, WRIST)], RunOptions(1))
    text, tone = recommendation(lettered(designs))
    by_letter = dict(zip("ABC", designs.results, strict=True))
    met = {letter: result.price for letter, result in by_letter.items() if result.state == "met"}
    if limit is None:
        least = min(by_letter, key=lambda letter: by_letter[letter].tasks[0].summary.at_coverage)
        assert text.startswith(f"{least} has the smallest error.")
    elif met:
        assert tone == "good"
        assert text.startswith(f"{min(met, key=lambda letter: met[letter])}, for ")
        assert ("the only design" in text) == (len(met) == 1)
    else:
        closest = min(by_letter, key=lambda letter: by_letter[letter].tasks[0].summary.at_coverage)
        assert text.startswith(f"No design meets the requirement; closest is {closest}. Not met: ")
        assert tone == "bad"


def test_the_table_is_that_of_the_results(compared: Comparison) -> None:
    rows = [[cell.text for cell in row] for row in compared_frame(compared).table().rows]
    assert [row[0] for row in rows] == ["A", "B", "C"]
    for row, result in zip(rows, compared.results, strict=True):
        assert row[1] in result.scenario
        assert float(row[3]) == result.price
        assert row[4] == result.tasks[0].summary.judgement("position").figure  # type: ignore[union-attr]
        assert row[-1] == result.state
    gain = compared.differences[0]
    nanometres = 1e9 * gain.criteria[0].gain / gain.price
    assert float(rows[1][6].split()[0]) == pytest.approx(nanometres, rel=0.01)
    assert rows[1][6].endswith(" nm")


def test_all_maps_have_one_colour_scale() -> None:
    """The largest difference of all maps ends each of them. Source: the values of the comparison."""
    studies = [armsim.load(path).change({"tasks.side view.step": "150 mm"}).with_plan(units=60, visits=2)
               for path in (DEMO, BASE, WRIST)]  # fmt: skip
    designs = compare(studies, RunOptions(1))
    review = comparison_review(designs, [one.scenario for one in studies])
    maps = [one for one in review.figures if one.name.endswith(("-B", "-C"))]
    assert len(maps) == 2
    reach = max(abs(row.values).max() for row in designs.differences if row.task == "side view")
    for one in maps:
        (mesh,) = (axes.collections[0] for axes in one.draw().axes if axes.get_xlabel() == "x [mm]")
        low, high = mesh.get_clim()
        assert high == -low == pytest.approx(1e6 * reach, rel=1e-6)


def test_letters_change_no_number(compared: Comparison) -> None:
    short = lettered(compared)
    assert [result.scenario for result in short.results] == ["A", "B", "C"]
    for one, other in zip(compared.results, short.results, strict=True):
        assert replace(other, scenario=one.scenario) == one
    assert {row.scenario for row in short.differences} == {"B", "C"}
