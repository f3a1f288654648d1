"""`check --json` holds all that the text tells. Source: the text of the same command, and the documents themselves."""

import json
import math
import re
from pathlib import Path

import jsonschema
import pytest
from support import ROOT, invoke

SHEETS = ROOT / "scenarios" / "seven-from-sheets.yaml"
TRACK = ROOT / "scenarios" / "track-cell.yaml"
MOTOR = ROOT / "configs" / "encoders" / "disc-28.yaml"


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    schema = json.loads(invoke("schema", "check").stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def both(*words: object) -> tuple[str, str, dict[str, object]]:
    """Standard output and error of the text, and the JSON of the first file."""
    text, machine = invoke("check", *words), invoke("check", *words, "--json")
    assert text.returncode == machine.returncode == 0, text.stderr + machine.stderr
    assert text.stderr == machine.stderr
    return text.stdout, text.stderr, next(iter(json.loads(machine.stdout).values()))


@pytest.mark.parametrize("scenario", [SHEETS, TRACK], ids=["seven axes, in motion", "on a track"])
def test_a_scenario(scenario: Path) -> None:
    # an absolute reading by two sensors brings limits of operation, a ratio below one a note
    second = ("--set", f"joints.j2.motor_encoder={MOTOR}", "--set", "joints.j2.placement=both")
    more = ("--set", "joints.j2.counts_turns=true", "--set", "joints.j3.transmission.ratio=0.5")
    out, notes, data = both(scenario, *second, *more)
    assert re.findall("note: (.*)", notes) == data["notes"]
    assert any("ratio 0.5 at j3" in note for note in data["notes"])
    assert f"sensors for {data['price']:g} cost units" in out
    assert sum(data["prices"].values()) == pytest.approx(data["price"])
    assert {term["cause"] for joint in data["joints"].values() for term in joint["terms"]}
    assert ("velocity ripple of the joints" in out) == bool(data["motion"])
    assert "limits of operation" in out
    assert data["operation"]
    assert {item["joint"] for item in data["operation"]} >= {"j2"}
    for task, poses in data["poses"].items():
        assert f"{task}: tool positions of the named poses" in out
        for pose in poses:
            place = ", ".join(f"{round(1e3 * x, 2) + 0.0:g}" for x in pose["position"])
            assert re.search(rf"^{re.escape(pose['name'])} +{re.escape(place)} ", out, re.MULTILINE)
            assert len(pose["joints"]) == 7
    assert data["poses"]


def test_an_encoder_has_numbers() -> None:
    """Source: the data sheet, by hand: 24 mm across, the track at 0.85 of it; +-36 arcsec uniform."""
    arcsec = math.pi / 180 / 3600
    out, _, data = both(ROOT / "configs" / "encoders" / "sheet-disc-24.yaml")
    read = {entry["key"]: entry for entry in data["read"]}
    assert read["track_radius"]["value"] == pytest.approx(0.85 * 12e-3)
    assert read["track_radius"]["unit"] == "m"
    assert read["track_radius"]["text"] == "10.2 mm"
    assert read["summary.accuracy"]["rms"] == pytest.approx(36 * arcsec / math.sqrt(3))
    assert read["summary.accuracy"]["value"] is None
    assert read["noise_bandwidth"] == {
        "key": "noise_bandwidth", "value": 400e3, "rms": None, "unit": "Hz", "text": "400 kHz", "origin": "as stated",
        "assumed": False,
    }  # fmt: skip
    errors = {entry["cause"]: entry for entry in data["errors"]}
    assert data["unit"] == "rad"
    assert errors["stated accuracy"]["limit"] == pytest.approx(36 * arcsec)
    assert errors["stated accuracy"]["stated_by"] == ["summary.accuracy"]
    assert set(errors) <= set(re.findall(r"^([a-z -]+?)  ", out, re.MULTILINE))


def test_other_documents() -> None:
    out, _, data = both(ROOT / "configs" / "encoders" / "sheet-ring-58.yaml")
    assert f"{data['price']:g} cost units" in out
    assert f"those that depend on speed at {data['speed']:g} rad/s" in out
    assert data["kind"] == "encoder"
    out, _, data = both(ROOT / "configs" / "catalogues" / "discs.yaml")
    assert f"{data['kind']} {data['name']!r} is valid" in out


def test_the_published_schema_describes_every_kind(validator: jsonschema.Draft202012Validator, tmp_path: Path) -> None:
    """Of every document that is shipped, and of a folder of results."""
    (tmp_path / "specification.yaml").write_text("kind: specification\nrequirement: {position: 100 um}\n")
    invoke("run", TRACK, "--units", 8, "--visits", 2, "--out", tmp_path / "r")
    files = [*sorted(ROOT.glob("scenarios/*.yaml")), *sorted(ROOT.glob("configs/**/*.yaml"))]
    process = invoke("check", *files, tmp_path / "specification.yaml", tmp_path / "r", "--json")
    assert process.returncode == 0, process.stderr
    records = json.loads(process.stdout)
    assert {record["kind"] for record in records.values()} == {
        "scenario", "encoder", "result", "arm", "catalogue", "specification",
    }  # fmt: skip
    validator.validate(records)
    for wrong in ({"kind": "ring"}, {"kind": "encoder", "name": "ring"}):
        with pytest.raises(jsonschema.ValidationError):
            validator.validate({"file": wrong})


def test_a_budget_reads_as_in_results_json(tmp_path: Path) -> None:
    """One class, one record: what `check` says of a machine is what results.json says of it."""
    invoke("run", TRACK, "--units", 200, "--visits", 2, "--out", tmp_path / "r")
    result = json.loads((tmp_path / "r" / "results.json").read_text())
    (record,) = json.loads(invoke("check", TRACK, "--json").stdout).values()
    (sampled,) = json.loads(invoke("check", TRACK, "--set", "sampling.units=200", "--json").stdout).values()
    for key in ("links", "assumptions", "motion", "two_sensors"):
        assert record[key] == result[key]
    assert sampled["operation"] == result["operation"]
    assert set(record["joints"]["j1"]) == set(result["joints"]["j1"])
