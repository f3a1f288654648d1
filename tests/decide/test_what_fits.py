"""What fits where: needs of joints against data sheets, by hand, and an architect's way from a table to a design."""

import csv
import json
from dataclasses import replace
from pathlib import Path

import pypdfium2 as pdfium
import pytest
from support import ROOT, invoke

from armsim.documents.load import load_options, load_scenario
from armsim.errors import InputError
from armsim.model.encoder import Encoder
from armsim.model.encoder_parts import Timing
from armsim.model.installation import Body, Functions, Needs, SensorNeeds
from armsim.model.unmet_needs import unmet_needs

DEMO, TABLE = ROOT / "scenarios" / "bonding-cell.yaml", ROOT / "configs" / "catalogues" / "encoders.csv"
DISCS = ROOT / "configs" / "catalogues" / "discs.yaml"
BODY = Body(0.025, 0.018, "hollow", (263.15, 353.15), "IP54", "radial", 0.06)
FUNCTIONS = Functions("absolute multi-turn", "gear", "serial synchronous", 1)
RING = Encoder("ring", max_speed=100.0, body=BODY, functions=FUNCTIONS, mass=0.1, timing=Timing(latency=1e-5))
BARE = Encoder("bare")


@pytest.mark.parametrize(
    ("needs", "unmet", "not_stated"),
    [
        (SensorNeeds(bore=0.025, diameter=0.06, length=0.018, mass=0.1), (), ("inner", "outer", "length", "mass")),
        (SensorNeeds(bore=0.0251), ("bore 25.1 mm needed",), ("inner diameter not stated",)),
        (SensorNeeds(diameter=0.059), ("outer diameter of at most 59 mm needed",), ("outer diameter not stated",)),
        (SensorNeeds(length=0.017), ("length of at most 17 mm needed",), ("length not stated",)),
        (SensorNeeds(mass=0.09), ("mass of at most 90 g needed",), ("mass not stated",)),
        (SensorNeeds(speed=10.0), (), ("largest speed not stated",)),
        (SensorNeeds(speed=10.1), ("964.5 rpm at the shaft needed",), ("largest speed not stated",)),
        (SensorNeeds(temperature=(263.15, 353.15)), (), ("operating temperature not stated",)),
        (SensorNeeds(temperature=(253.15, 343.15)), ("-20 to 70 degC needed",), ("operating temperature",)),
        (SensorNeeds(protection="IP44"), (), ("protection class not stated",)),
        (SensorNeeds(protection="IP45"), ("protection IP45 needed",), ("protection class not stated",)),
        (SensorNeeds(protection="IP6X"), ("protection IP6X needed",), ("protection class not stated",)),
        (SensorNeeds(shaft=("blind", "none")), ("shaft blind or none needed",), ("shaft not stated",)),
        (SensorNeeds(cable=("radial",)), (), ("cable not stated",)),
        (SensorNeeds(absolute="single-turn", index=True), (), ("absolute or incremental not stated",)),
        (SensorNeeds(multiturn=("battery",)), ("multiturn battery needed",), ("multiturn not stated",)),
        (SensorNeeds(interface=("serial",)), ("interface serial needed",), ("interface not stated",)),
        (SensorNeeds(safety_channels=2), ("2 safety channels needed",), ("2 safety channels needed",)),
        (SensorNeeds(latency=9e-6), ("latency of at most 9 us needed",), ("latency not stated",)),
    ],
)  # fmt: skip
def test_needs_of_a_joint_behind_a_gear_of_ten(
    needs: SensorNeeds, unmet: tuple[str, ...], not_stated: tuple[str, ...]
) -> None:
    """Source: by hand; 100 rad/s at the shaft are 10 rad/s at the joint, 10.1 rad/s are 964.5 rpm."""
    assert tuple(unmet_needs(needs, RING, 10.0)) == unmet
    reasons = unmet_needs(needs, BARE, 10.0)
    assert len(reasons) == len(not_stated)
    assert all(reason.startswith(start) for reason, start in zip(reasons, not_stated, strict=True))


@pytest.mark.parametrize("needed", range(4))
@pytest.mark.parametrize("function", range(4))
def test_a_function_holds_those_before_it(needed: int, function: int) -> None:
    """Source: by hand; an absolute encoder needs no index."""
    words = ("incremental", "incremental with index", "absolute single-turn", "absolute multi-turn")
    needs = (
        SensorNeeds(), SensorNeeds(index=True), SensorNeeds(absolute="single-turn"), SensorNeeds(absolute="multi-turn"),
    )[needed]  # fmt: skip
    encoder = replace(BARE, functions=Functions(words[function]))
    assert bool(unmet_needs(needs, encoder)) == (function < needed)


def test_signals_too_fast_are_excluded() -> None:
    """1000 periods at 100 turns a second are 100 kHz. Source: by hand."""
    fast = replace(BARE, signal_periods=1000, max_frequency=99e3)
    needs = SensorNeeds(speed=200 * 3.141592653589793)
    assert unmet_needs(needs, fast) == ["signals of 100 kHz needed"]
    assert unmet_needs(needs, replace(fast, max_frequency=101e3)) == []


def test_needs_of_a_place_stand_before_those_of_both() -> None:
    needs = Needs(bore=0.02, latency=1e-5, motor=SensorNeeds(bore=0.008), output=SensorNeeds(diameter=0.1))
    assert needs.for_placement("motor") == SensorNeeds(bore=0.008, latency=1e-5)
    assert (
        needs.for_placement("output")
        == needs.for_placement("both")
        == SensorNeeds(bore=0.02, latency=1e-5, diameter=0.1)
    )


def test_exclusions_count_each_reason_and_what_it_excludes_alone() -> None:
    """Source: the rows of the table themselves, counted."""
    changes = {
        "joints.j2.needs": {
            "absolute": "multi-turn",
            "motor": {"diameter": "50 mm"},
            "interface": ["serial synchronous"],
        }
    }
    _, options = load_options(DEMO, TABLE, changes)
    with TABLE.open() as file:
        rows = list(csv.DictReader(file))
    reasons = {
        "absolute multi-turn needed": {row["name"] for row in rows if row["function"] != "absolute multi-turn"},
        "outer diameter of at most 50 mm needed": {
            row["name"] for row in rows if float(row["outer diameter [mm]"]) > 50
        },
        "interface serial synchronous needed": {
            row["name"] for row in rows if row["interface"] != "serial synchronous"
        },
    }
    of_j2 = {row.reason: row for row in options.exclusions if row.joint == "j2"}
    assert set(of_j2) == set(reasons)
    for reason, names in reasons.items():
        others = set().union(*(other for name, other in reasons.items() if name != reason))
        assert set(of_j2[reason].encoders) == names
        assert (of_j2[reason].alone, of_j2[reason].of) == (len(names - others), len(rows))
    remaining = {row["name"] for row in rows} - set().union(*reasons.values())
    assert {option.encoder for option in options.joints[1]} == remaining
    assert not any(row.joint == "j1" for row in options.exclusions)


def test_the_sheet_of_the_encoder_counts_where_its_entry_is_silent(tmp_path: Path) -> None:
    """Diameter and mass. Source: the sheet."""
    text = DISCS.read_text().replace("{diameter: 70 mm, mass: 0.028 kg, interface: serial, encoder: {", "{encoder: {mass: "
                                     "0.3 kg, outer_diameter: 70 mm, interface: serial, ")  # fmt: skip
    file = tmp_path / "discs.yaml"
    file.write_text(
        text.replace("limits: {types: 4, joints: {", "limits: {joints: {j1: {diameter: 60 mm, interface: serial}, ")
    )
    _, options = load_options(DEMO, file)
    (row,) = [row for row in options.exclusions if (row.joint, row.placement) == ("j1", "motor")]
    assert row.reason == "outer diameter of at most 60 mm needed"
    assert len(row.encoders) == 3
    assert {option.mass for option in options.joints[1] if option.encoder == "disc 70 1024"} == {0.3}


@pytest.mark.parametrize(
    ("needs", "finding", "accepted"),
    [
        ({"boar": "25 mm"}, "unknown key", "did you mean 'bore'?"),
        ({"bore": 25}, "bare number 25 without a unit", "mm"),
        ({"absolute": "double-turn"}, "'double-turn' is not accepted", "'multi-turn'"),
        ({"protection": "splash"}, "'splash' as protection class", "IP64"),
        ({"temperature": ["60 degC", "0 degC"]}, "does not rise", "the lowest and the highest"),
        ({"motor": {"shaft": ["square"]}}, "'square' is not accepted", "'hollow'"),
        ({"interface": "serial"}, "'serial' is not accepted", "a list"),
    ],
)  # fmt: skip
def test_wrong_needs_are_named(needs: dict[str, object], finding: str, accepted: str) -> None:
    from armsim.documents.load import load_changed

    with pytest.raises(InputError) as caught:
        load_changed(load_scenario(DEMO), {"joints.j2.needs": needs})
    (problem,) = caught.value.problems
    assert finding in problem.actual
    assert accepted in problem.accepted


def test_where_nothing_fits_the_reasons_are_counted() -> None:
    with pytest.raises(InputError) as caught:
        load_options(DEMO, TABLE, {"joints.j2.needs": {"bore": "100 mm", "absolute": "multi-turn"}})
    text = str(caught.value)
    assert "no entry can be fitted to joint j2" in text
    assert "24 of 24 on the motor: bore 100 mm needed" in text


SIZES = {"S": (38, 8, 34), "M": (58, 20, 70), "L": (88, 38, 140)}
"""Size classes: outer diameter [mm], bore [mm], mass [g]."""
GRADES = {60: 18, 30: 19, 15: 20, 6: 22}
"""Bits by accuracy [arcsec]."""
TURNS = {"gear": 22, "battery": 15, "": 0}
"""Surcharge by what counts the turns."""
HEADER = (
    "name,resolution [bit],accuracy [arcsec],track diameter [mm],outer diameter [mm],inner diameter [mm],mass [g],"
    "min temperature [degC],max temperature [degC],shaft,function,turns by,interface,price,price from 100,one-off cost"
)
CELL = """\
kind: scenario
name: seven-axis cell
arm:
  kind: arm
  name: seven axes
  kinematics:
    convention: standard-dh
    joints:
{rows}
joints:
{joints}
requirement: {{position: 260 um, coverage: 95 %, repeatability: 60 um, yield: 80 %}}
tasks:
  - kind: poses
    name: stations
    poses:
      - {{name: pick, joints: [0 deg, 40 deg, 0 deg, -80 deg, 0 deg, 40 deg, 0 deg]}}
      - {{name: reach out, joints: [20 deg, 85 deg, 0 deg, -10 deg, 0 deg, 10 deg, 0 deg]}}
sampling: {{units: 100, visits: 2, seed: 7}}
"""


def forty_encoders() -> str:
    """Table of 36 hollow encoders in three sizes, three with a blind bore and an incremental one."""
    rows = [
        (f"{size}{accuracy} {turns or 'single'}", bits, accuracy, size, "hollow",
         f"absolute {'multi' if turns else 'single'}-turn", turns, round(20 + SIZES[size][0] / 2 + 900 / (accuracy + 15)) + extra)
        for size in SIZES for accuracy, bits in GRADES.items() for turns, extra in TURNS.items()
    ]  # fmt: skip
    rows += [(f"{size} blind", 20, 15, size, "blind", "absolute multi-turn", "gear", 50) for size in SIZES]
    rows += [("L index", 20, 10, "L", "hollow", "incremental with index", "", 40)]
    lines = [HEADER]
    for name, bits, accuracy, size, shaft, function, turns, price in rows:
        outer, bore, mass = SIZES[size]
        lines.append(
            f"{name},{bits},{accuracy},{outer - 10},{outer},{bore},{mass},-20,85,{shaft},{function},{turns},"
            f"serial synchronous,{price},{0.85 * price:.2f},2000"
        )
    return "\n".join(lines) + "\n"


def cell() -> str:
    """Scenario of an arm of seven axes, in three sizes of joints, all of them hollow and multi-turn."""
    rows, joints = [], []
    for number, (d, a, alpha) in enumerate(
        ((305, 0, -90), (0, 0, 90), (365, 0, -90), (0, 0, 90), (345, 0, -90), (0, 0, 90), (95, 25, 0)), start=1
    ):
        size = "LLMMSSS"[number - 1]
        outer, bore, _ = SIZES[size]
        rows.append(
            f"      - {{name: j{number}, type: revolute, d: {d} mm, a: {a} mm, alpha: {alpha} deg, range: [-170 deg, 170 deg]}}"
        )
        joints.append(
            f"  j{number}: {{encoder: '40 encoders.csv#{size}60 gear', placement: output, mounting: {{eccentricity: 4 um}}, "
            f"mastering: 10 arcsec, needs: {{absolute: multi-turn, multiturn: [gear], shaft: [hollow], temperature: [0 degC, 60 degC], "
            f"bore: {bore} mm, diameter: {outer + 2} mm}}}}"
        )
    return CELL.format(rows="\n".join(rows), joints="\n".join(joints))


def test_an_architects_day_takes_four_commands(tmp_path: Path) -> None:
    """From a table of 40 encoders to the page of a board: read it, check the cell, choose, run what was chosen.

    Source: every figure of the bill from the table; whether the page names what was chosen.
    """
    table, scenario = tmp_path / "40 encoders.csv", tmp_path / "cell.yaml"
    table.write_text(forty_encoders())
    scenario.write_text(cell())
    catalogue, chosen, out, page = (tmp_path / name for name in ("catalogue.yaml", "chosen.yaml", "out", "page"))
    imported = invoke("catalogue", table, "--write", catalogue)
    assert imported.returncode == 0, imported.stderr
    assert "40 encoders" in imported.stdout
    assert "turns by" not in imported.stdout  # no doubt where no turns are counted
    checked = invoke("check", scenario)
    assert checked.returncode == 0, checked.stderr
    process = invoke("select", scenario, "--catalogue", catalogue, "--arms", "50", "--write", chosen, "--out", out)
    assert process.returncode in (0, 4), process.stderr
    assert process.stdout.startswith("Buy ")
    record = json.loads((out / "selection.json").read_text())
    reasons = {(row["joint"], row["reason"]): len(row["encoders"]) for row in record["exclusions"]}
    assert reasons["j1", "shaft hollow needed"] == 3
    assert reasons["j1", "absolute multi-turn needed"] == 13
    assert reasons["j1", "bore 38 mm needed"] == 26
    assert reasons["j5", "outer diameter of at most 40 mm needed"] == 27
    with table.open() as file:
        sheet = {row["name"]: row for row in csv.DictReader(file)}
    types = [part["encoder"] for part in record["design"]]
    of_size = {"L": types[:2], "M": types[2:4], "S": types[4:]}
    assert all(name.startswith(size) for size, names in of_size.items() for name in names)
    assert {sheet[name]["function"] for name in types} == {"absolute multi-turn"}
    pieces = {name: 50 * types.count(name) for name in types}
    price = {
        name: float(sheet[name]["price from 100" if number >= 100 else "price"]) for name, number in pieces.items()
    }
    total = sum(price[name] * number + 2000 for name, number in pieces.items())
    assert 50 * record["price"] == pytest.approx(total)
    with (out / "bom.csv").open() as file:
        bill = list(csv.DictReader(file))
    assert float(bill[-1]["total"]) == pytest.approx(total, abs=0.05)
    assert [row["joint"] for row in bill].count("one-off costs") == len(pieces)
    text = " ".join(
        "".join(sheet.get_textpage().get_text_range() for sheet in pdfium.PdfDocument(out / "report.pdf")).split()
    )
    assert f"{types[0]}, as it is, output" in text  # on a line, not a word a line
    ran = invoke("run", chosen, "--out", page)
    assert ran.returncode in (0, 1, 4), ran.stderr
    assert json.loads((page / "results.json").read_text())["price"] == pytest.approx(record["price"])
    assert types[0] in (page / "report.html").read_text()
