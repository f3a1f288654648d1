"""The workbook against runs of the scenario that its edited cells state, computed by other programs than ours."""

from __future__ import annotations

import itertools
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
import yaml
from spreadsheet import Cells, by_library, by_office, require_office
from support import ROOT

from armsim.decide.live_budget import Input, LiveBudgets, live_budgets
from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.errors import InputError
from armsim.model.machine import Change
from armsim.model.parameters import StatedNumber, stated_numbers
from armsim.report import workbook
from armsim.report.workbook import write_workbook
from armsim.report.workbook_joints import FIRST_JOINT
from armsim.report.workbook_poses import FIRST_POSE
from armsim.report.workbook_switches import switch_cells
from armsim.results import Result
from armsim.run_options import RunOptions
from armsim.study import Study

UNITS, VISITS = 1000, 10
EDITS = 10
UM = 1e6
WITHIN = {0.95: 0.03, 0.99: 0.08}
"""Departure of the quantile that the workbook states, by the coverage."""


@dataclass(frozen=True)
class Written:
    study: Study
    result: Result
    budgets: LiveBudgets
    path: Path

    def edit(self, changes: dict[int, float], folder: Path) -> Path:
        """A copy with other values of inputs, in the units of the workbook."""
        book = openpyxl.load_workbook(self.path)
        for place, value in changes.items():
            cell = book[workbook.INPUTS].cell(workbook.FIRST_INPUT + place, 4)
            assert cell.fill.fgColor.rgb.endswith("FFF2CC")
            cell.value = value
        out = folder / "budget.xlsx"
        book.save(out)
        return out

    def run(self, changes: dict[str, Any]) -> Result:
        """A run of the changed scenario at the poses that were worst, with the random numbers of the first run."""
        study = self.study.change(changes)
        few = [
            poses.select([task.summary.worst_pose]) for poses, task in zip(study.find(), self.result.tasks, strict=True)
        ]
        return study.evaluate(few, RunOptions(1))[0]


def write(study: Study, folder: Path) -> Written:
    poses = study.find()
    result = study.evaluate(poses, RunOptions(1))[0]
    budgets = live_budgets(study, poses, result)
    path = folder / "budget.xlsx"
    write_workbook(path, result, budgets)
    return Written(study, result, budgets, path)


def scenario(name: str, coverage: float = 0.95) -> Study:
    study = Study.load(ROOT / "scenarios" / f"{name}.yaml").with_plan(UNITS, VISITS)
    return study.change({"requirement.coverage": f"{100 * coverage:g} %"})


@pytest.fixture(scope="module")
def track(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return write(scenario("track-cell"), tmp_path_factory.mktemp("track"))


def sheet_of(book: Written, task: int = 0) -> Any:
    return openpyxl.load_workbook(book.path).worksheets[3 + task]


def row_of(sheet: Any, owner: str, cause: str, which: str = "") -> int:
    expected = (owner, cause, which)
    for row in range(workbook.FIRST, sheet.max_row + 1):
        if tuple(sheet.cell(row, column).value or "" for column in (1, 2, 3)) == expected:
            return row
    raise AssertionError(f"no row {expected}")


def cause_of(cells: Cells, sheet: Any, task: int, book: Written) -> dict[tuple[str, str], float]:
    """Shares by owner and cause, as the workbook has them."""
    out: dict[tuple[str, str], float] = {}
    for row in range(workbook.FIRST, sheet.max_row + 1):
        key = sheet.cell(row, 1).value, sheet.cell(row, 2).value
        out[key] = out.get(key, 0.0) + float(cells[sheet.title, f"P{row}"])
    return out


# --- what is written without an edit


def test_unedited_it_says_what_the_results_say(track: Written, tmp_path: Path) -> None:
    """Rms, covariance, mean, shares with the bias, and the sampled quantile; to the seven digits that are written."""
    cells = by_office(track.path, tmp_path)
    for number, task in enumerate(track.result.tasks):
        sheet = sheet_of(track, number)
        pose = task.pose(task.summary.worst_pose)
        assert cells[sheet.title, "F10"] == pytest.approx(UM * pose.first_order.rms, rel=1e-6)
        assert [cells[sheet.title, f"{c}11"] for c in "FGH"] == pytest.approx(
            [UM * x for x in pose.first_order.mean], rel=1e-5, abs=1e-6
        )
        assert cells[sheet.title, "M5"] == pytest.approx(UM**2 * pose.first_order.covariance[0][0], rel=1e-5)
        assert cells[sheet.title, "O6"] == pytest.approx(UM**2 * pose.first_order.covariance[1][2], rel=1e-5)
        assert cells[sheet.title, "F5"] == pytest.approx(UM * task.summary.at_coverage, rel=1e-5)
        joints = {cells["joints", f"A{row}"]: float(cells["joints", f"{'EFG'[number]}{row}"]) for row in range(5, 13)}
        shares = cause_of(cells, sheet, number, track)
        for owner in track.result.joints:
            assert joints[owner] == pytest.approx(
                sum(share for key, share in shares.items() if key[0] == owner), abs=1e-9
            )
        assert sum(shares.values()) == pytest.approx(1.0, rel=1e-6)
        for (owner, cause), share in shares.items():
            expected = pose.shares[owner][cause] + pose.bias_shares.get(owner, {}).get(cause, 0.0)
            assert share == pytest.approx(expected, rel=1e-4, abs=1e-7)
    prices = [cells["price", f"{column}{FIRST_JOINT + len(track.result.joints)}"] for column in "DE"]
    assert prices == pytest.approx([track.result.price] * 2)


def tool(arm: dict[str, Any], q: np.ndarray, rise: float = 0.0, **off: float) -> np.ndarray:
    """Tool point of the track arm: a product of standard DH rows, in this test. `off`: errors of parameters."""

    def length(text: str) -> float:
        value, unit = text.split()
        return float(value) * {"mm": 1e-3, "deg": np.pi / 180}[unit]

    def row(theta: float, d: float, a: float, alpha: float) -> np.ndarray:
        ct, st, ca, sa = np.cos(theta), np.sin(theta), np.cos(alpha), np.sin(alpha)
        return np.array(
            [[ct, -st * ca, st * sa, a * ct], [st, ct * ca, -ct * sa, a * st], [0, sa, ca, d], [0, 0, 0, 1]]
        )

    grow = 1.0 + 23e-6 * rise  # links: track-seven.yaml
    base = np.eye(4)
    angle = -np.pi / 2
    base[1:3, 1:3] = [[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]
    out = base
    for joint, value in zip(arm["kinematics"]["joints"], q, strict=True):
        name, offset = joint["name"], length(joint.get("offset", "0 deg"))
        a = length(joint["a"]) * grow + off.get(f"{name}_a", 0.0)
        alpha = length(joint["alpha"]) + off.get(f"{name}_alpha", 0.0)
        changed_value = value + off.get(name, 0.0)
        if joint["type"] == "prismatic":
            changed_value += 11e-6 * rise * value  # the tape reads too little when it has grown: tape-20.yaml
            out = out @ row(length(joint["theta"]), changed_value + offset, a, alpha)
        else:
            out = out @ row(changed_value + offset, length(joint["d"]) * grow, a, alpha)
    return (out @ [0.0, 0.0, length(arm["kinematics"]["tool"]["xyz"][2]) * grow, 1.0])[:3]


def test_sensitivities_are_derivatives_of_the_tool_point(track: Written) -> None:
    """Central differences of a chain written out in this test; a track has exactly 1, lengths are in µm."""
    arm = yaml.safe_load((ROOT / "configs" / "arms" / "track-seven.yaml").read_text())
    task = track.result.tasks[0]
    q = np.array(task.pose(task.summary.worst_pose).joints)
    sheet = sheet_of(track)
    arcsec = np.pi / 648000
    target = [("track", "mastering", "", "track", 1e-6, "µm")]
    target += [(f"j{n}", "mastering", "", f"j{n}", arcsec, "arcsec") for n in range(1, 6)]
    target += [("links", "link a", f"j{n}.a", f"j{n}_a", 1e-6, "µm") for n in range(1, 7)]
    target += [("links", "link alpha", f"j{n}.alpha", f"j{n}_alpha", arcsec, "arcsec") for n in range(1, 6)]
    target += [("machine", "temperature", "", "rise", 1.0, "K")]
    for owner, cause, which, name, unit, text in target:
        row = row_of(sheet, owner, cause, which)
        step = 1.0 if name == "rise" else 1e-5
        expected = (tool(arm, q, **{name: step}) - tool(arm, q, **{name: -step})) / (2 * step) * unit * UM
        assert sheet.cell(row, 5).value == text
        written = [sheet.cell(row, column).value for column in (8, 9, 10)]
        assert written == pytest.approx(expected.tolist(), rel=1e-5, abs=1e-5), (owner, cause, which)
    row = row_of(sheet, "track", "mastering")
    assert sum(sheet.cell(row, column).value ** 2 for column in (8, 9, 10)) == pytest.approx(1.0, rel=1e-9)
    assert sheet.cell(row, 18).value == pytest.approx(5.0 / 3**0.5, rel=1e-6)  # +-5 um, uniform: JCGM 100 4.3.7


def test_no_cell_shows_fifteen_digits(track: Written) -> None:
    for sheet in openpyxl.load_workbook(track.path):
        for cell in itertools.chain.from_iterable(sheet):
            if isinstance(cell.value, float):
                assert float(f"{cell.value:.7g}") == cell.value
            if cell.data_type in ("n", "f") and cell.value is not None:
                assert cell.number_format != "General" or len(f"{cell.value:g}") <= 6


# --- edited, against runs


def changed_key(entry: Input, number: StatedNumber, machine: Any, value: float) -> tuple[str, Any]:
    """The change of a scenario that says what an edited cell says."""
    quantity = f"{value!r} {entry.unit.name}" if entry.unit.name else value
    spread: Any = machine
    for step in number.steps:
        spread = spread[step] if isinstance(step, int) else getattr(spread, step)
    spread = spread.spread if isinstance(spread, Magnitude) else spread
    if isinstance(spread, Distribution):
        size = "std" if spread.distribution in ("normal", "rayleigh") else "limit"
        quantity = {size: quantity, "distribution": spread.distribution}
    if entry.path.startswith("link "):  # stated for all rows alike: here for one of them
        joint, _, parameter = entry.path.removeprefix("link ").partition(".")
        return f"arm.kinematics.joints.{joint}.tolerances", {parameter: quantity}
    return entry.path, quantity


def stated_alone(written: Written, place: int, factor: float) -> tuple[float, str, Any] | None:
    """The value of an input times a factor, and the change that states it; None where that changes something else.

    So it is where an input follows from other words of a data sheet, and where bounds would be broken.
    """
    reference, machine = written.budgets.inputs[place], written.study.scenario.machine
    number = next(number for number in stated_numbers(machine) if number.path == reference.path)
    if not reference.has_laws or number.key.kind in ("count", "number"):
        return None
    most = np.inf if number.key.most is None else 0.99 * number.key.most / number.value
    value = float(f"{reference.value * min(factor, most):.5g}")
    path, change = changed_key(reference, number, machine, value)
    try:
        changed = written.study.change({path: change}).scenario.machine
    except InputError:
        return None
    after = {other.path: other.value for other in stated_numbers(changed)}
    same = after.get(reference.path) == pytest.approx(value * reference.unit.si_value, rel=1e-9)
    return (value, path, change) if same else None


CASES = [("track-cell", 0.95), ("seven-from-sheets", 0.99)]


@pytest.mark.parametrize(("name", "coverage"), CASES)
def test_ten_edited_cells_say_what_a_run_of_the_edited_scenario_says(
    name: str, coverage: float, tmp_path: Path
) -> None:
    """The rms by first order to 1e-4, the quantile within what the sheet states, the random numbers being the same."""
    require_office()
    book = write(scenario(name, coverage), tmp_path)
    generator = np.random.default_rng(int(1000 * coverage) + len(name))
    order = [int(place) for place in generator.permutation(len(book.budgets.inputs))]
    # half of them among those that the largest rows follow: most others hardly move anything
    strong = [place for place in order if leads(book, place)]
    values: dict[int, float] = {}
    changes: dict[str, Any] = {}
    for place in itertools.chain(strong, order):
        if place in values or len(values) == EDITS or (len(values) >= EDITS // 2 and place in strong):
            continue
        change = stated_alone(book, place, 2.0 ** generator.uniform(-1.0, 1.0))
        if change is not None:
            values[place], path, value = change
            changes[path] = {**changes.get(path, {}), **value} if path.endswith(".tolerances") else value
    assert len(values) == EDITS
    edited = book.edit(values, tmp_path)
    cells, others = by_office(edited, tmp_path), by_library(edited)
    result = book.run(changes)
    for number, (before, after) in enumerate(zip(book.result.tasks, result.tasks, strict=True)):
        title = sheet_of(book, number).title
        assert cells[title, "F10"] == pytest.approx(UM * after.poses[0].first_order.rms, rel=1e-4)
        rms = before.pose(before.summary.worst_pose).first_order.rms
        assert abs(after.poses[0].first_order.rms / rms - 1.0) > 0.005  # the edits do something
        assert cells[title, "F5"] == pytest.approx(UM * after.summary.at_coverage, rel=WITHIN[coverage])
        for cell in ("F5", "F7", "F10", "F11", "M12", "N12"):
            assert float(others[title.upper(), cell]) == pytest.approx(float(cells[title, cell]), rel=1e-6)
        assert cells["requirement", f"E{workbook.FIRST_TASK + number}"] == pytest.approx(cells[title, "F5"])


def leads(written: Written, place: int) -> bool:
    """Whether one of the ten largest rows follows an input."""
    rows = [row for task in written.budgets.tasks for row in task.rows[:10]]
    return any(place == other for row in rows for other, _ in (*row.mean_laws, *row.std_laws))


def test_half_the_wind_up_of_a_joint_is_what_a_run_says(track: Written, tmp_path: Path) -> None:
    """Twice as stiff: mean and scatter of the row halve; the quantile follows that of a run within 2 %."""
    path = "joints.j2.transmission.stiffness"
    place = [input.path for input in track.budgets.inputs].index(path)
    assert track.budgets.inputs[place].unit.name == "N*m/mrad"
    cells = by_office(track.edit({place: 60.0}, tmp_path), tmp_path)
    after = track.run({path: "60 N*m/mrad"}).tasks[0].summary.at_coverage * UM
    before = track.result.tasks[0].summary.at_coverage * UM
    sheet = sheet_of(track)
    row = row_of(sheet, "j2", "wind-up")
    for column in (6, 7):
        letter = "ABCDEFG"[column - 1]
        assert cells[sheet.title, f"{letter}{row}"] == pytest.approx(sheet.cell(row, column + 11).value / 2, rel=1e-6)
    assert before - after > 15.0
    assert cells[sheet.title, "F5"] == pytest.approx(after, rel=0.02)


def test_what_no_law_follows_is_fixed_and_said(track: Written) -> None:
    """Links and tape grow along different lines with the same temperature: no factor on one row does that."""
    names = [input.path for input in track.budgets.inputs]
    sheet = openpyxl.load_workbook(track.path)[workbook.INPUTS]
    place = workbook.FIRST_INPUT + names.index("arm.expansion")
    assert not sheet.cell(place, 4).fill.fgColor.rgb.endswith("FFF2CC")
    assert "run again" in sheet.cell(place, 11).value
    formulas = [str(cell.value) for item in openpyxl.load_workbook(track.path) for line in item for cell in line]
    assert not any(f"$H${place}" in text for text in formulas if text.startswith("="))


def test_laws_hold_for_all_inputs_changed_at_once(track: Written) -> None:
    assert max(task.largest_error for task in track.budgets.tasks) < 1e-3


# --- margins, poses, prices, switches and bounds


def test_margins_and_poses_are_those_of_the_results(track: Written, tmp_path: Path) -> None:
    """From results.json as it is written; the margin of a most is limit less value, in µm."""
    record = json.loads(track.result.to_json())["tasks"][0]
    cells = by_office(track.path, tmp_path)
    limits = {item["statistic"]: item for item in record["summary"]["judgements"] if item["limit"] is not None}
    rows = {value: place[1][1:] for place, value in cells.items() if place[0] == "requirement" and place[1][0] == "B"}
    assert len(limits) == 2  # errors, RP
    for statistic, item in limits.items():
        margin = UM * (item["limit"] - item["value"])
        assert cells["requirement", f"G{rows[statistic]}"] == pytest.approx(margin, rel=1e-4)
    first = workbook.FIRST_TASK
    margin = cells["requirement", f"C{first}"] - cells["requirement", f"E{first}"]
    assert cells["requirement", f"G{first}"] == pytest.approx(margin, rel=1e-12)
    sheet = openpyxl.load_workbook(track.path)["poses"]
    header = [cell.value for cell in sheet[FIRST_POSE - 1]]
    for number, pose in enumerate(record["poses"]):
        row = dict(zip(header, [cell.value for cell in sheet[FIRST_POSE + number]], strict=True))
        assert row["pose"] == pose["name"]
        assert row["95 % of errors [um]"] == pytest.approx(UM * pose["error"]["at_coverage"], rel=1e-6)
        assert row["first order rms [um]"] == pytest.approx(UM * pose["first_order"]["rms"], rel=1e-6)


def test_causes_that_are_switched_off_are_those_of_a_run_without_them(track: Written, tmp_path: Path) -> None:
    """Lost motion, which has a mean and a scatter, mastering and temperature: rms by first order, and the quantile."""
    book = openpyxl.load_workbook(track.path)
    switches = switch_cells(track.budgets)
    for key in (("j2", "lost motion"), ("j3", "mastering"), ("machine", "temperature")):
        switch = book["what-if"][switches[key].rpartition("!")[2].replace("$", "").replace("C", "B")]
        assert (switch.value, switch.protection.locked) == ("on", False)
        switch.value = "off"
    book["price"].cell(FIRST_JOINT + 1, 4).value += 7.5
    edited = tmp_path / "budget.xlsx"
    book.save(edited)
    cells = by_office(edited, tmp_path)
    without = {
        "joints.j2.transmission.lost_motion": "0 arcsec", "joints.j3.mastering": "0 arcsec",
        "environment.temperature_rise": "0 K",
    }  # fmt: skip
    after, title = track.run(without).tasks[0], sheet_of(track).title
    before = track.result.tasks[0].summary.at_coverage
    assert cells[title, "F10"] == pytest.approx(UM * after.poses[0].first_order.rms, rel=1e-4)
    assert cells[title, "F5"] == pytest.approx(UM * after.summary.at_coverage, rel=WITHIN[0.95])
    assert after.summary.at_coverage < 0.97 * before
    assert cells["what-if", "D5"] == pytest.approx(cells[title, "F5"])
    assert cells["what-if", "F5"] == pytest.approx(250.0 - cells[title, "F5"])  # required: track-cell.yaml
    assert cells["price", f"D{FIRST_JOINT + len(track.result.joints)}"] == pytest.approx(track.result.price + 7.5)
    assert cells["joints", f"D{FIRST_JOINT + 1}"] == cells["price", f"D{FIRST_JOINT + 1}"]


def test_every_input_has_its_bounds_beside_it(track: Written) -> None:
    """Against what the scenario refuses: a value outside is an error there too, one within is none."""
    sheet = openpyxl.load_workbook(track.path)[workbook.INPUTS]
    checks = {str(check.sqref): check for check in sheet.data_validations.dataValidation}
    yellow = [place for place, entry in enumerate(track.budgets.inputs) if entry.has_laws]
    assert len(yellow) > 100
    assert set(checks) == {f"D{workbook.FIRST_INPUT + place}" for place in yellow}
    for place in yellow:
        entry, row = track.budgets.inputs[place], workbook.FIRST_INPUT + place
        assert entry.unit.name in checks[f"D{row}"].error
        assert (entry.least is None) == entry.path.endswith("abbe_offset")  # a distance with a sign, the only one here
        assert (f"D{row}>" in checks[f"D{row}"].formula1) == (entry.least is not None)
        if entry.most is not None:
            assert f"D{row}<={entry.most!r}" in checks[f"D{row}"].formula1
    tried = dict.fromkeys(
        ("joints.j1.encoder.corrections.eccentricity", "joints.j2.transmission.stiffness", "joints.j3.mastering"), True
    )
    for place in yellow:
        entry = track.budgets.inputs[place]
        if tried.pop(entry.path, False):
            outside = -1.0 if entry.most is None else entry.most + 1.0
            for value, accepted in ((outside, False), (entry.value * 0.99, True)):
                within = entry.least < value and (entry.most is None or value <= entry.most)
                assert within is accepted
                if accepted:
                    track.study.change({entry.path: f"{value!r} {entry.unit.name}"})
                else:
                    with pytest.raises(InputError):
                        track.study.change({entry.path: f"{value!r} {entry.unit.name}"})
    assert not tried


# --- texts are texts


HOSTILE = '=HYPERLINK("http://example.org","x")'


def test_names_are_never_formulas(tmp_path: Path) -> None:
    """As many formulas as with harmless names, in the file and after LibreOffice has saved it; the names as given."""

    def files(joint: str, folder: Path) -> Written:
        folder.mkdir()
        arm = {
            "kind": "arm", "name": "one",
            "kinematics": {
                "convention": "standard-dh",
                "joints": [{"name": joint, "type": "revolute", "d": "0 mm", "a": "400 mm", "alpha": "0 deg"}],
            },
        }  # fmt: skip
        encoder = {
            "kind": "encoder", "name": joint, "measures": "rotation", "signal_periods": 128,
            "interpolation": "12 bit", "graduation_error": "6 arcsec",
        }  # fmt: skip
        tasks = [{"kind": "poses", "name": joint, "poses": [{"name": joint, "joints": ["20 deg"]}]}]
        data = {
            "kind": "scenario", "name": joint, "arm": "arm.yaml",
            "joints": {joint: {"encoder": "encoder.yaml", "placement": "output", "mastering": "8 arcsec"}},
            "tasks": tasks, "sampling": {"units": 100, "visits": 2, "seed": 1},
        }  # fmt: skip
        for name, item in (("arm", arm), ("encoder", encoder), ("scenario", data)):
            (folder / f"{name}.yaml").write_text(yaml.safe_dump(item))
        return write(Study.load(folder / "scenario.yaml"), folder)

    harmless, hostile = files("j1", tmp_path / "a"), files(HOSTILE, tmp_path / "b")

    def formulas_in(path: Path) -> list[str]:
        cells = [cell for sheet in openpyxl.load_workbook(path) for row in sheet for cell in row]
        return [str(cell.value) for cell in cells if cell.data_type == "f"]

    assert len(formulas_in(hostile.path)) == len(formulas_in(harmless.path)) > 20
    assert not any("HYPERLINK(" in text for text in formulas_in(hostile.path))
    texts = [cell.value for sheet in openpyxl.load_workbook(hostile.path) for row in sheet for cell in row]
    assert texts.count(HOSTILE) > 5
    cells = by_office(hostile.path, tmp_path)
    assert list(cells.values()).count(HOSTILE) == texts.count(HOSTILE)
    saved = tmp_path / "computed" / "budget.xlsx"
    assert not any("HYPERLINK(" in text for text in formulas_in(saved))


def test_a_result_without_a_requirement_has_a_workbook(track: Written, tmp_path: Path) -> None:
    path = tmp_path / "budget.xlsx"
    write_workbook(path, replace(track.result, requirement=None), track.budgets)
    cells = by_library(path)
    title = sheet_of(track).title.upper()
    assert float(cells[title, "F10"]) == pytest.approx(
        UM * track.result.tasks[0].pose(track.budgets.tasks[0].pose).first_order.rms, rel=1e-6
    )


def test_a_machine_without_any_error_has_zeros(track: Written, tmp_path: Path) -> None:
    machine = replace(track.study.scenario.machine, changes=(Change(0.0),))
    book = write(track.study.with_scenario(machine=machine).with_plan(100, 2), tmp_path)
    assert not book.budgets.tasks[0].rows
    cells = by_office(book.path, tmp_path)
    title = sheet_of(book).title
    assert [cells[title, cell] for cell in ("F5", "F7", "F10", "M12", "N12")] == [0.0] * 5
    assert not any(str(value).startswith(("#", "Err:")) for value in cells.values())
