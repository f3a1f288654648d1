"""A decision, whole: one folder whose parts agree with each other and with the commands that make them alone."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest
import yaml
from support import ROOT, invoke

import armsim
from armsim.documents.load import load_scenario
from armsim.report.decision_sentences import changes_in_words, in_words

DISCS = ROOT / "configs" / "catalogues" / "discs.yaml"
TRACK = ROOT / "scenarios" / "track-cell.yaml"
SMALL = ("--units", "200", "--visits", "4")


@pytest.fixture(scope="module")
def decided(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, str]:
    """The seven-axis track cell, its track with a linear scale, and a few discs: the folder, the catalogue, the screen."""
    folder = tmp_path_factory.mktemp("decision")
    tape = yaml.safe_load((ROOT / "configs" / "encoders" / "tape-20.yaml").read_text())
    shop = yaml.safe_load(DISCS.read_text())
    few = [shop["encoders"][n] for n in (0, 5, 9, 16)]
    data = {
        **shop,
        "encoders": [*few, {"encoder": tape}],
        "mountings": [{"name": "as drawn"}],
        "placements": {"motor": 0, "output": 20, "both": 20},
        "limits": {"same_encoder": [["j1", "j2"]]},
    }
    catalogue = folder / "shop.yaml"
    catalogue.write_text(yaml.safe_dump(data))
    requirement = "requirement={position: 900 um, coverage: 95 %}"
    process = invoke("select", TRACK, "--catalogue", catalogue, "--out", folder / "out", "--set", requirement, *SMALL)
    assert process.returncode == 0, process.stderr
    return folder / "out", catalogue, process.stdout


def test_the_folder_holds_it_all(decided: tuple[Path, Path, str]) -> None:
    out, _, _ = decided
    names = {path.name for path in out.iterdir()}
    assert {"selection.json", "trade-off.json", "sensitivity.json", "results.json", "chosen.yaml", "bom.csv", "report.html",
            "report.pdf", "manifest.json", "tables", "figures"} <= names  # fmt: skip
    assert {"design.csv", "trade-off.csv", "sensitivity.csv", "shares.csv", "robustness.csv", "changes.csv"} <= {
        p.name for p in (out / "tables").iterdir()
    }
    assert (out / "figures" / "trade-off.png").exists()


def test_the_parts_agree(decided: tuple[Path, Path, str]) -> None:
    out, _, printed = decided
    selection = json.loads((out / "selection.json").read_text())
    rows = list(csv.DictReader((out / "tables" / "design.csv").open()))
    assert float(rows[-1]["price"]) == pytest.approx(selection["price"])
    assert [row["encoder"] for row in rows[:-1]] == [part["encoder"] for part in selection["design"]]
    assert sum(float(row["price"]) for row in rows[:-1]) == pytest.approx(selection["price"])
    curve = json.loads((out / "trade-off.json").read_text())
    assert min(point["price"] for point in curve["points"]) <= selection["price"]
    page = (out / "report.html").read_text()
    assert f"costs {selection['price']:g}" in page
    assert f"costs {selection['price']:g}" in printed
    for point in list(csv.DictReader((out / "tables" / "trade-off.csv").open())):
        assert all(point[name].count(",") == 2 for name in ("track", "j1", "j6"))  # what every joint is fitted with
    for part, row in zip(selection["design"], rows, strict=False):
        assert part["encoder"] in page
        share = next(float(value) for name, value in row.items() if name.startswith("share"))
        assert share in (
            pytest.approx(selection["shares"][part["joint"]]),
            pytest.approx(100 * selection["shares"][part["joint"]]),
        )
    assert page.index("Buy ") < page.rindex("What was proved")  # the contents name it before
    assert printed.index("Buy ") < printed.index("What was proved")


def test_whether_it_stands_is_told_everywhere(decided: tuple[Path, Path, str]) -> None:
    """Seven axes, the first a slide: the same rows in JSON, on the screen, on the page and in the file."""
    out, _, printed = decided
    selection, page = json.loads((out / "selection.json").read_text()), (out / "report.html").read_text()
    rows = list(csv.DictReader((out / "tables" / "robustness.csv").open()))
    prices = [row["design_price"] for row in selection["robustness"]]
    assert [float(row["price"]) for row in rows] == pytest.approx(prices)
    assert {row["what"] for row in selection["robustness"]} == {"price", "gear tolerances", "temperature rise"}
    for place in (page, printed):
        for text in ("Does the choice hold if prices or tolerances change?", "tolerances of gears times 1.5", "temperature rise at its end",
                     "The cheapest change to the design of the scenario", "at most two joints"):  # fmt: skip
            assert text in place
    assert [row["most"] for row in selection["refits"]] == [0, 1, 2]
    assert all(len(row["joints"]) <= row["most"] for row in selection["refits"])


def test_the_chosen_scenario_is_what_was_judged(decided: tuple[Path, Path, str]) -> None:
    """Run alone it gives the results of the folder, to the bit."""
    out, _, _ = decided
    result = armsim.load(out / "chosen.yaml").with_plan(units=200, visits=4).run(2)
    record = json.loads((out / "results.json").read_text())
    mine = json.loads(result.to_json().decode())
    assert mine["tasks"] == record["tasks"]
    encoders = [joint.encoder.name for joint in load_scenario(out / "chosen.yaml").machine.joints]
    assert encoders == [part["encoder"] for part in json.loads((out / "selection.json").read_text())["design"]]
    assert encoders[1] == encoders[2]  # held together


def test_the_command_of_the_manifest_is_complete(decided: tuple[Path, Path, str]) -> None:
    out, catalogue, _ = decided
    command = json.loads((out / "manifest.json").read_text())["command"]
    assert command.startswith("armsim select")
    for word in (str(catalogue), "--units 200", "--visits 4", "--set"):
        assert word in command


def test_joints_fitted_alike_are_named_together(decided: tuple[Path, Path, str]) -> None:
    out, _, _ = decided
    from armsim.decide.decision_records import FittedEncoder

    design = [FittedEncoder(**part) for part in json.loads((out / "selection.json").read_text())["design"]]
    text = in_words(design)
    assert sorted(re.findall(r"\b(?:j\d|track)\b", text)) == sorted(part.joint for part in design)
    alike = [FittedEncoder("a", "e", "m", "p", 1), FittedEncoder("b", "e", "m", "p", 1)]
    assert in_words(alike) == "all joints: e, m, p"
    three = [*alike, FittedEncoder("c", "e", "m", "p", 1)]
    assert changes_in_words(three, [*alike, FittedEncoder("c", "f", "m", "p", 1)]) == "c: f, m, p"
    two = [FittedEncoder(joint, "f", "m", "p", 1) for joint in "ab"]
    assert changes_in_words(three, [*two, three[2]]) == "a, b: f, m, p"  # not all of the arm
    assert changes_in_words(alike, two) == "all joints: f, m, p"
