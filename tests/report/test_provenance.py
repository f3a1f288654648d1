"""Manifests, runs done again, and the schema of results."""

import hashlib
import json
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from support import ROOT, invoke

import armsim
from armsim.report.reproduce import difference, sha256
from armsim.results import FORMAT
from armsim.version import package_version, source_digest

COMMAND = [sys.executable, "-m", "armsim.cli.main"]


def run(*arguments: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    return invoke(*arguments, cwd=cwd)


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A lesson, what it refers to, and its run."""
    folder = tmp_path_factory.mktemp("finished") / "project"
    read = ("configs/arms/one-link.yaml", "configs/encoders/ideal-disc.yaml", "scenarios/lessons/eccentricity.yaml")
    for name in read:
        (folder / name).parent.mkdir(parents=True)
        shutil.copy(ROOT / name, folder / name)
    process = run("run", "scenarios/lessons/eccentricity.yaml", "--units", 40, "--visits", 2, "--out", "a", cwd=folder)
    assert process.returncode in (0, 1, 4), process.stderr
    return folder


@pytest.fixture
def project(finished: Path, tmp_path: Path) -> Path:
    """A copy of it elsewhere, to be changed: what is relative to the folder of the run moves with it."""
    shutil.copytree(finished, tmp_path, dirs_exist_ok=True)
    return tmp_path


def test_a_run_is_done_again(project: Path) -> None:
    manifest = json.loads((project / "a" / "manifest.json").read_text())
    results = (project / "a" / "results.json").read_bytes()
    assert manifest["results_sha256"] == hashlib.sha256(results).hexdigest()
    for row in manifest["inputs"]:
        assert row["sha256"] == hashlib.sha256((project / row["file"]).read_bytes()).hexdigest()
    assert {"python", "platform", "packages", "seed", "time", "command"} <= set(manifest)
    again = run("run", "--reproduce", "a/manifest.json", "--out", "b", cwd=project)
    assert again.returncode in (0, 1, 4), again.stderr
    assert "the same to the bit" in again.stderr
    assert (project / "b" / "results.json").read_bytes() == results


def test_newer_sources_that_give_the_same_bits_are_told_and_taken(project: Path) -> None:
    """The numbers are compared, not the version and the sources that made them."""
    path, written = project / "a" / "manifest.json", project / "a" / "results.json"
    manifest, text = json.loads(path.read_text()), written.read_text()
    digest = manifest["source_digest"]
    assert digest == source_digest() == json.loads(text)["source_digest"]
    assert digest in (project / "a" / "report.html").read_text()
    text = text.replace(f'"source_digest": "{digest}"', '"source_digest": "0123456789ab"')
    written.write_text(text.replace(f'"version": "{package_version()}"', '"version": "0.0.9"'))
    manifest |= {"armsim": "0.0.9", "source_digest": "0123456789ab"}
    path.write_text(json.dumps(manifest | {"results_sha256": hashlib.sha256(written.read_bytes()).hexdigest()}))
    again = run("run", "--reproduce", "a/manifest.json", "--out", "b", cwd=project)
    assert again.returncode in (0, 1), again.stderr
    assert "the same to the bit" in again.stderr
    assert (
        f"made by armsim 0.0.9 (sources 0123456789ab), this is armsim {package_version()} (sources {digest})"
        in again.stderr
    )
    assert json.loads((project / "b" / "results.json").read_text())["source_digest"] == digest
    data = json.loads(text)
    data["tasks"][0]["poses"][0]["error"]["p95"] *= 1.25
    written.write_text(json.dumps(data))
    path.write_text(json.dumps(manifest | {"results_sha256": hashlib.sha256(written.read_bytes()).hexdigest()}))
    other = run("run", "--reproduce", "a/manifest.json", "--out", "c", cwd=project)
    assert other.returncode == 3
    assert "differ by up to" in other.stderr
    assert "made by armsim 0.0.9 (sources 0123456789ab), this is" in other.stderr
    assert not (project / "c").exists()


def test_a_changed_input_is_told(project: Path) -> None:
    for file in ("scenarios/lessons/eccentricity.yaml", "configs/arms/one-link.yaml"):
        path = project / file
        path.write_text(path.read_text() + "# a word more\n")
    again = run("run", "--reproduce", "a/manifest.json", "--out", "b", cwd=project)
    assert again.returncode == 2
    assert again.stderr.count("is not as it was") == 2
    assert not (project / "b").exists()
    elsewhere = run("run", "--reproduce", project / "a" / "manifest.json", "--out", "b", cwd=project / "a")
    assert elsewhere.returncode == 2
    assert "file not found" in elsewhere.stderr


def test_other_results_are_told(project: Path) -> None:
    path = project / "a" / "manifest.json"
    manifest = json.loads(path.read_text())
    manifest["results_sha256"] = "0" * 64
    path.write_text(json.dumps(manifest))
    spoilt = run("run", "--reproduce", "a/manifest.json", "--out", "b", cwd=project)
    assert spoilt.returncode == 2
    assert "is not the result that the manifest describes" in spoilt.stderr
    (project / "a" / "results.json").unlink()
    again = run("run", "--reproduce", "a/manifest.json", "--out", "b", cwd=project)
    assert again.returncode == 3
    assert "the results differ from those of" in again.stderr
    assert not (project / "b").exists()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{}", "not the manifest"), ("[", "not the manifest"), ('{"asked": 5}', "not the manifest"),
        ("[" * 100_000, "not the manifest"),
    ],
)  # fmt: skip
def test_what_is_no_manifest(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "m.json").write_text(text)
    process = run("run", "--reproduce", "m.json", cwd=tmp_path)
    assert process.returncode == 2
    assert message in process.stderr
    assert "Traceback" not in process.stderr


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("units", 0, "asked.units: 0"),
        ("units", -5, "asked.units: -5"),
        ("units", 10**9, "asked.units: 1000000000"),
        ("visits", 0, "asked.visits: 0"),
        ("visits", 10**9, "asked.visits: 1000000000"),
        ("visits", "30", "asked.visits: '30'"),
        ("seed", -1, "asked.seed: -1"),
        ("paper", "napkin", "asked.paper: 'napkin'"),
        ("scenario", "other.yaml", "the scenario is not among them"),
        ("inputs", [], "inputs"),
        ("inputs", [{}], "inputs.0.file: missing"),
        ("inputs", [{"file": "/dev/zero", "sha256": "0" * 64}], "not a regular file"),
        ("inputs", [{"file": "x", "sha256": "\x1b[31m"}], "\\x1b[31m"),
        ("results_sha256", 5, "results_sha256: 5"),
    ],
)
def test_a_manifest_is_checked_before_any_work(
    project: Path, tmp_path: Path, key: str, value: object, message: str
) -> None:
    data = json.loads((project / "a" / "manifest.json").read_text())
    (data if key in data and key not in ("units", "visits", "seed") else data["asked"])[key] = value
    (tmp_path / "m.json").write_text(json.dumps(data))
    process = run("run", "--reproduce", tmp_path / "m.json", "--out", tmp_path / "b", cwd=project)
    assert process.returncode == 2
    assert message in process.stderr
    assert "\x1b" not in process.stderr
    assert not (tmp_path / "b").exists()


def test_what_does_not_go_together(project: Path) -> None:
    process = run("run", "--reproduce", "a/manifest.json", "--seed", 3, cwd=project)
    assert process.returncode == 2
    assert "the manifest alone" in process.stderr
    assert run("run", cwd=project).returncode == 2
    absent = run("run", "--reproduce", "nowhere.json", cwd=project)
    assert absent.returncode == 2
    assert "file not found" in absent.stderr


def test_the_difference_in_words(tmp_path: Path) -> None:
    study = armsim.load(ROOT / "scenarios" / "lessons" / "eccentricity.yaml").with_plan(units=40, visits=2)
    one, other = study.run(1), study.with_plan(seed=99).run(1)
    (tmp_path / "results.json").write_bytes(one.to_json())
    assert difference(one, sha256(one), tmp_path / "results.json") is None
    message = difference(other, sha256(one), tmp_path / "results.json")
    assert message is not None
    assert "differ by up to" in message
    assert difference(other, sha256(one), tmp_path / "nowhere.json") == "they differ"


@cache
def published() -> dict[str, Any]:
    schema: dict[str, Any] = json.loads(invoke("schema", "results").stdout)
    return schema


def test_the_published_schema_is_that_of_this_version() -> None:
    schema = published()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["$id"] == f"urn:{FORMAT}"


def strict(constant: str) -> None:
    raise AssertionError(f"{constant} is no JSON")


@pytest.mark.parametrize("name", ["bonding-cell", "every-task", "track-cell", "lessons/eccentricity"])
@pytest.mark.parametrize(("units", "visits"), [(1, 1), (30, 2)])
def test_results_follow_the_schema(name: str, units: int, visits: int) -> None:
    """JSON Schema 2020-12; no NaN or Infinity, which RFC 8259 does not know."""
    study = armsim.load(ROOT / "scenarios" / f"{name}.yaml")
    requirement = study.scenario.requirement
    if visits < 2 and requirement is not None:
        study = study.with_scenario(requirement=None)
    data = json.loads(study.with_plan(units, visits).run().to_json(), parse_constant=strict)
    jsonschema.Draft202012Validator(published()).validate(data)
