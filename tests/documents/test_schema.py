"""The JSON Schemas that editors check by: they take what the loader takes, refuse what it refuses, and explain every key."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from support import ROOT, invoke

from armsim.documents.kinds import DOCUMENT_TYPES
from armsim.documents.schema import document_schema
from armsim.documents.units import DIMENSIONS, PREFIXES, UNIT_NAMES, pattern, read_quantity

SHIPPED = sorted(
    path
    for folder in ("configs", "scenarios", "armsim/cli/starter")
    for path in (ROOT / folder).rglob("*.yaml")
    if (yaml.safe_load(path.read_text()) or {}).get("kind") in DOCUMENT_TYPES
)
SCHEMAS = {kind: document_schema(kind) for kind in DOCUMENT_TYPES}


@pytest.mark.parametrize("kind", DOCUMENT_TYPES)
def test_every_key_is_explained(kind: str) -> None:
    target = SCHEMAS[kind]
    nodes = [target, *target.get("anyOf", []), *target["$defs"].values()]
    keys = [(node.get("title"), name, entry) for node in nodes for name, entry in node.get("properties", {}).items()]
    assert len(keys) > 20
    for title, name, entry in keys:
        assert len(entry.get("description", "")) > 3, (title, name)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: str(path.relative_to(ROOT)))
def test_shipped_documents_pass(path: Path) -> None:
    data = yaml.safe_load(path.read_text())
    jsonschema.Draft202012Validator(SCHEMAS[data["kind"]]).validate(data)


def refused(kind: str, data: Any) -> bool:
    return bool(list(jsonschema.Draft202012Validator(SCHEMAS[kind]).iter_errors(data)))


DISC = {"kind": "encoder", "name": "d", "measures": "rotation", "lines": 512, "resolution": "20 bit"}


@pytest.mark.parametrize(
    ("key", "good", "bad"),
    [
        ("track_radius", ["11 mm", "11mm", "1.1e-2 m", "11 millimetre"], ["ten um", "10 arcsec", "10", 10, "mm", "11 mmm m"]),
        ("graduation_error", ["5 arcsec", "+-5 arcsec", "±5 arcsec", "15 arcsec 3 sigma", "10 arcsec peak to peak", {"std": "3 arcsec"}],
         ["five arcsec", "5", "5 kg", "5 arcsec 4 sigma", {"std": "3 s"}, {"size": "3 arcsec"}]),
        ("signal", [{"noise": "0.1 %"}], [{"noise": "0.1 mm"}, {"noise": 0.1}, {"nose": "1 %"}]),
        ("timing", [{"latency": "8 us"}], [{"latency": "8 um"}, {"latency": "eight us"}]),
        ("drift", ["0.2 arcsec/K"], ["0.2 arcsec"]),
        ("max_speed", ["600 rpm", "60 deg/s"], ["600"]),
        ("read_head_angles", [["0 deg", "170 deg"]], [["0 mm", "170 deg"]]),
        ("kind", ["encoder"], ["encodr"]),
    ],
)  # fmt: skip
def test_units_are_checked_while_they_are_typed(key: str, good: list[Any], bad: list[Any]) -> None:
    for value in good:
        assert not refused("encoder", {**DISC, key: value}), value
    for value in bad:
        assert refused("encoder", {**DISC, key: value}), value


def test_a_document_within_a_scenario_is_checked_too() -> None:
    scenario = yaml.safe_load((ROOT / "scenarios" / "lessons" / "eccentricity.yaml").read_text())
    assert not refused("scenario", scenario)
    scenario["joints"]["j1"]["encoder"] = {**DISC, "track_radius": "10 arcsec"}
    assert refused("scenario", scenario)
    scenario["joints"]["j1"]["encoder"] = "../disc.yaml"
    assert not refused("scenario", scenario)
    assert not refused("scenario", {"kind": "scenario", "base": "a.yaml", "changes": {"sampling.units": 5}})


@pytest.mark.parametrize("kind", DIMENSIONS)
def test_patterns_take_the_units_that_are_shown(kind: str) -> None:
    for unit in DIMENSIONS[kind][1]:
        for number in ("1", "-0.5", ".5", "1e-3", "+2.0E+4"):
            assert re.fullmatch(pattern(kind), f"{number} {unit}"), unit


@settings(max_examples=400, derandomize=True, deadline=None)
@given(
    st.sampled_from(sorted(UNIT_NAMES)), st.sampled_from([name for names in UNIT_NAMES.values() for name in names]),
    st.sampled_from(sorted(PREFIXES)), st.sampled_from(["", "s"]), st.sampled_from(["", " ", "  "]),
)  # fmt: skip
def test_patterns_take_what_the_loader_takes(kind: str, name: str, prefix: str, plural: str, space: str) -> None:
    text = f"1.5{space}{prefix}{name}{plural}"
    try:
        read_quantity(text, kind)
    except ValueError:
        return
    assert re.fullmatch(pattern(kind), text), (kind, text)


def test_a_starter_tells_an_editor_its_schema(tmp_path: Path) -> None:
    folder = tmp_path / "new"
    assert invoke("new", folder).returncode == 0
    for path in folder.glob("*.yaml"):
        first = path.read_text().splitlines()[0]
        actual = re.fullmatch(r"# yaml-language-server: \$schema=(\S+)", first)
        assert actual, path.name
        text = json.loads((folder / actual[1]).read_text())
        data = yaml.safe_load(path.read_text())
        jsonschema.validate(data, text)
        assert text == json.loads(invoke("schema", data["kind"]).stdout)
    assert invoke("check", *sorted(folder.glob("*.yaml"))).returncode == 0


def test_identified_parameters_of_an_arm_have_a_schema_of_their_own() -> None:
    """They shared a title with the parameters that a calibration identifies, which replaced them in a scenario."""
    definitions = SCHEMAS["scenario"]["$defs"]
    assert "correlations" in definitions["IdentifiedDocument"]["properties"]
    assert "output_orders" in definitions["IdentifyDocument"]["properties"]
