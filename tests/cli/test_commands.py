"""Commands as a user types them."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer
import yaml
from support import COARSE, HANG, ROOT, invoke, wait_for_sampling

from armsim.cli.disclaimer import with_disclaimer
from armsim.results import Result
from armsim.study import Study


def armsim(*arguments: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return invoke(*arguments, cwd=cwd)


@pytest.fixture(scope="module")
def starter(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("new") / "starter"
    result = armsim("new", folder)
    assert result.returncode == 0, result.stderr
    return folder


@pytest.fixture(scope="module")
def quick(starter: Path) -> Path:
    """The starter without its map, which takes longest to draw."""
    data = yaml.safe_load((starter / "scenario.yaml").read_text())
    data["tasks"] = [task for task in data["tasks"] if task["kind"] == "poses"]
    (starter / "quick.yaml").write_text(yaml.safe_dump(data))
    return starter / "quick.yaml"


@pytest.fixture(scope="module")
def ran(starter: Path) -> Path:
    out = starter.parent / "result"
    process = armsim("run", starter / "scenario.yaml", "--out", out, "--units", 200, "--visits", 5)
    assert process.returncode == 0, process.stderr
    assert "stations" in process.stdout
    return out


def test_run_leaves_everything(ran: Path) -> None:
    remainder = {"figures", "inventory.json", "manifest.json", "report.html", "report.pdf", "results.json", "tables"}
    assert {p.name for p in ran.iterdir()} == remainder
    result = Result.from_json((ran / "results.json").read_bytes())
    assert (result.units, result.visits) == (200, 5)
    assert result.state == "met"
    for ending in ("svg", "png"):
        assert len(list((ran / "figures").glob(f"*.{ending}"))) == 18
    manifest = json.loads((ran / "manifest.json").read_text())
    assert len(manifest["inputs"]) == 3
    assert "--units 200" in manifest["command"]


def test_results_follow_the_contract(ran: Path) -> None:
    data = json.loads((ran / "results.json").read_text())
    assert data["format"] == "armsim-results/1"
    pose = data["tasks"][0]["poses"][0]
    assert set(pose["error"]) >= {"mean", "covariance", "rms", "p50", "p95", "p99", "max", "p95_interval"}
    assert set(pose) >= {"name", "joints", "position", "orientation_error", "accuracy", "repeatability", "first_order"}
    summary = data["tasks"][0]["summary"]
    assert set(summary) >= {"p95", "worst_pose", "yield", "groups"}
    assert set(summary["yield"]) >= {"value", "interval"}
    for task in data["tasks"]:
        for pose in task["poses"]:
            assert sum(share for causes in pose["shares"].values() for share in causes.values()) == pytest.approx(1)
            assert pose["error"]["p50"] <= pose["error"]["p95"] <= pose["error"]["p99"] <= pose["error"]["max"]
            low, high = pose["error"]["p95_interval"]
            assert low <= pose["error"]["p95"] <= high
    joint = data["joints"]["elbow"]
    assert set(joint) >= {"resolution_bits", "terms", "std", "limit"}
    assert set(joint["terms"][0]) >= {"name", "cause", "life", "shape", "std"}


def test_tables_have_units_in_their_headers(ran: Path) -> None:
    header, *rows = (ran / "tables" / "poses.csv").read_text().splitlines()
    assert "p95 [um]" in header
    assert "shoulder [deg]" in header
    data = json.loads((ran / "results.json").read_text())
    assert len(rows) == sum(len(task["poses"]) for task in data["tasks"])


def test_the_same_seed_gives_the_same_bits(quick: Path, tmp_path: Path) -> None:
    texts = []
    for workers in (1, 2):
        out = tmp_path / str(workers)
        armsim("run", quick, "--out", out, "--units", 300, "--visits", 3, "--workers", workers)
        texts.append((out / "results.json").read_bytes())
    assert texts[0] == texts[1]
    armsim("run", quick, "--out", tmp_path / "3", "--units", 300, "--visits", 3, "--seed", 99)
    assert (tmp_path / "3" / "results.json").read_bytes() != texts[0]


def test_json_goes_to_standard_output(starter: Path, tmp_path: Path) -> None:
    process = armsim("run", starter / "scenario.yaml", "--out", tmp_path / "r", "--units", 50, "--visits", 2, "--json")
    assert json.loads(process.stdout)["units"] == 50


def test_an_unmet_requirement_is_exit_1(starter: Path, tmp_path: Path) -> None:
    text = (starter / "scenario.yaml").read_text().replace("position: 150 um", "position: 10 um")
    (starter / "strict.yaml").write_text(text)
    process = armsim("run", starter / "strict.yaml", "--out", tmp_path / "r", "--units", 50, "--visits", 2)
    assert process.returncode == 1
    assert "10.0 µm required" in process.stdout
    assert (tmp_path / "r" / "results.json").exists()


def test_bad_input_is_exit_2_and_writes_nothing(starter: Path, tmp_path: Path) -> None:
    (starter / "bad.yaml").write_text((starter / "scenario.yaml").read_text().replace("10 um ", "10 "))
    process = armsim("run", starter / "bad.yaml", "--out", tmp_path / "r")
    assert process.returncode == 2
    assert "bad.yaml:12:" in process.stderr
    assert "Traceback" not in process.stderr
    assert not (tmp_path / "r").exists()
    assert list(tmp_path.iterdir()) == []


def test_out_of_reach_is_exit_3(starter: Path, tmp_path: Path) -> None:
    text = (starter / "scenario.yaml").read_text()
    text = text.replace("joints: [0 deg, 45 deg]", "xyz: [9 m, 0 m, 0 m]").replace(
        "joints: [60 deg, 80 deg]", "xyz: [8 m, 0 m, 0 m]"
    )
    (starter / "far.yaml").write_text(text)
    process = armsim("run", starter / "far.yaml", "--out", tmp_path / "r")
    assert process.returncode == 3
    assert "reaches none of its 2 poses" in process.stderr


def test_a_named_pose_out_of_reach_is_not_met(starter: Path, tmp_path: Path) -> None:
    text = (starter / "scenario.yaml").read_text().replace("joints: [0 deg, 45 deg]", "xyz: [9 m, 0 m, 0 m]")
    (starter / "half.yaml").write_text(text)
    process = armsim("run", starter / "half.yaml", "--out", tmp_path / "r", "--units", 100, "--visits", 2)
    assert process.returncode == 1
    assert "pick cannot be reached" in process.stdout


def test_repeatability_is_judged_without_a_yield(starter: Path, tmp_path: Path) -> None:
    text = (starter / "scenario.yaml").read_text()
    text = text.replace("repeatability: 30 um, yield: 95 %", "repeatability: 1 um")
    (starter / "shaky.yaml").write_text(text)
    process = armsim("run", starter / "shaky.yaml", "--out", tmp_path / "r", "--units", 100, "--visits", 5)
    assert process.returncode == 1
    assert "95 % of arms repeat within" in process.stdout


def test_repeatability_does_not_depend_on_visits(starter: Path) -> None:
    """What the arm has is integrated: one visit tells it as well as thirty, to what the coarser integration leaves."""
    lines = []
    for visits in (1, 30, 300):
        result = Study.load(starter / "scenario.yaml").with_plan(200, visits).run()
        lines.append([task.summary.repeatability_p95 for task in result.tasks])
    assert lines[0] == pytest.approx(lines[2], rel=0.02)
    assert lines[1] == pytest.approx(lines[2], rel=0.01)


def test_too_large_a_sample_is_refused(starter: Path, tmp_path: Path) -> None:
    process = armsim(
        "run", starter / "scenario.yaml", "--out", tmp_path / "r", "--units", 9_000_000, "--memory", "500MiB"
    )
    assert process.returncode == 3
    assert "--memory" in process.stderr
    assert "at most" in process.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("memory", ["much", "1", "-1GiB", "0MiB", "1 XB", ""])
def test_memory_that_is_no_memory(starter: Path, tmp_path: Path, memory: str) -> None:
    process = armsim("run", starter / "scenario.yaml", "--out", tmp_path / "r", f"--memory={memory}")
    assert process.returncode == 2
    assert "--memory" in process.stderr
    assert "2GiB" in process.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_tolerance_in_a_scenario(starter: Path, tmp_path: Path) -> None:
    text = (starter / "scenario.yaml").read_text()
    scenario = starter / "tolerant.yaml"
    scenario.write_text(re.sub(r"sampling: \{.*?\}", "sampling: {units: 100, visits: 30, tolerance: 5 %}", text))
    try:
        process = armsim("run", scenario, "--out", tmp_path / "r", "--json")
    finally:
        scenario.unlink()
    assert process.returncode in (0, 1, 4), process.stderr
    adaptive = json.loads(process.stdout)["adaptive"]
    assert adaptive["reached"] is True
    assert json.loads(process.stdout)["units"] == adaptive["batches"] * adaptive["units_of_batch"]


@pytest.mark.parametrize(("address", "code"), [("nonsense", 2), ("http://x:1", 2), ("tcp://127.0.0.1:9", 3)])
def test_no_cluster_there(starter: Path, tmp_path: Path, address: str, code: int) -> None:
    pytest.importorskip("distributed")
    process = armsim("run", starter / "scenario.yaml", "--out", tmp_path / "r", "--cluster", address)
    assert process.returncode == code
    assert ("no cluster answers at" if code == 3 else "address of the cluster") in process.stderr
    assert list(tmp_path.iterdir()) == []


def test_small_and_strange_runs(tmp_path: Path) -> None:
    """One unit, one visit, one cell, names with dollars and other scripts, no requirement: still a report that reads back."""
    armsim("new", tmp_path / "s")
    text = (tmp_path / "s" / "scenario.yaml").read_text()
    text = text[: text.index("requirement:")] + text[text.index("tasks:") :]
    text = text.replace("name: stations", 'name: "cost $5^$ 测试 / näme"').replace(
        "step: 50 mm", "step: 50 mm, x: [300 mm, 300 mm], y: [100 mm, 100 mm]"
    )
    (tmp_path / "s" / "odd.yaml").write_text(text)
    process = armsim("run", tmp_path / "s" / "odd.yaml", "--out", tmp_path / "r", "--units", 1, "--visits", 1)
    assert process.returncode == 0, process.stderr
    assert "Warning" not in process.stderr
    result = Result.from_json((tmp_path / "r" / "results.json").read_bytes())
    assert result.tasks[0].poses[0].repeatability.p95_interval is None
    assert result.tasks[1].poses[0].error.p95_interval is None
    assert "No requirement" in (tmp_path / "r" / "report.html").read_text()


def test_a_word_it_does_not_know_is_exit_2() -> None:
    assert armsim("run").returncode == 2
    assert armsim("fly").returncode == 2
    assert armsim("run", "x.yaml", "--units", "many").returncode == 2


def test_an_interrupt_leaves_nothing(starter: Path, tmp_path: Path) -> None:
    import signal

    command = [sys.executable, "-m", "armsim.cli.main", "run", str(starter / "scenario.yaml")]
    for number in (signal.SIGINT, signal.SIGTERM):
        process = subprocess.Popen(
            [*command, "--out", str(tmp_path / "r"), "--units", "20000"], stderr=subprocess.PIPE, stdout=subprocess.PIPE
        )
        wait_for_sampling(process)
        process.send_signal(number)
        _, err = process.communicate(timeout=HANG)
        assert process.returncode == 3
        assert b"nothing was written" in err
        assert list(tmp_path.iterdir()) == []


def test_a_folder_of_something_else_is_not_replaced(starter: Path, tmp_path: Path) -> None:
    (tmp_path / "precious").mkdir()
    (tmp_path / "precious" / "thesis.txt").write_text("x")
    process = armsim("run", starter / "scenario.yaml", "--out", tmp_path / "precious")
    assert process.returncode == 2
    assert "holds other things" in process.stderr
    assert [p.name for p in (tmp_path / "precious").iterdir()] == ["thesis.txt"]


def test_a_new_result_replaces_an_earlier_one_and_leaves_nothing_beside_it(quick: Path, tmp_path: Path) -> None:
    for units in (40, 60):
        armsim("run", quick, "--out", tmp_path / "r", "--units", units, "--visits", 2)
    assert json.loads((tmp_path / "r" / "results.json").read_text())["units"] == 60
    assert [p.name for p in tmp_path.iterdir()] == ["r"]


def test_check_prints_the_budgets_and_touches_nothing(starter: Path) -> None:
    before = sorted(p.name for p in starter.rglob("*"))
    process = armsim("check", starter / "scenario.yaml", starter / "arm.yaml", starter / "encoder.yaml", cwd=starter)
    assert process.returncode == 0, process.stderr
    for part in (
        "eccentricity",
        "gear kinematic error",
        "20.00 bit",
        "encoder 'starter disc' is valid",
        "arm 'two-link arm'",
    ):
        assert part in process.stdout
    assert sorted(p.name for p in starter.rglob("*")) == before
    budgets = json.loads(armsim("check", starter / "scenario.yaml", "--json").stdout)
    (entry,) = budgets.values()
    assert entry["joints"]["shoulder"]["resolution_bits"] == pytest.approx(20)


def test_schema_accepts_what_the_reader_accepts(starter: Path) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    import yaml

    for kind in ("arm", "encoder", "scenario"):
        schema = json.loads(armsim("schema", kind).stdout)
        jsonschema.validate(yaml.safe_load((starter / f"{kind}.yaml").read_text()), schema)
    wrong = yaml.safe_load((starter / "encoder.yaml").read_text()) | {"interpolatoin": "12 bit"}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(wrong, json.loads(armsim("schema", "encoder").stdout))
    assert armsim("schema", "gear").returncode == 2


def test_new_refuses_a_folder_in_use(starter: Path) -> None:
    process = armsim("new", starter)
    assert process.returncode == 2
    assert "not empty" in process.stderr


def test_version_and_help() -> None:
    assert armsim("--version").stdout.startswith("armsim ")
    assert "run" in armsim("--help").stdout


def test_a_read_only_place_is_refused_before_the_run(starter: Path, tmp_path: Path) -> None:
    if os.geteuid() == 0:
        pytest.skip("root writes everywhere")
    tmp_path.chmod(0o500)
    process = armsim("run", starter / "scenario.yaml", "--out", tmp_path / "r")
    tmp_path.chmod(0o700)
    assert process.returncode == 2


@pytest.mark.parametrize(
    "words", [["allocate", "bonding-cell.yaml", *COARSE], ["run", "lessons/data-sheet.yaml", "--json"]]
)
def test_results_come_with_their_caution(words: list[str], tmp_path: Path) -> None:
    """Last on standard error; standard output stays for programs. In help too, and not where nothing was worked out."""
    command, scenario, *others = words
    out = ["--out", tmp_path / "out"] if command == "run" else []
    process = invoke(command, ROOT / "scenarios" / scenario, *others, *out)
    message = "design estimates, not a safety function"
    assert process.returncode in (0, 1, 4)
    assert message in process.stderr.splitlines()[-1]
    assert message not in process.stdout
    assert message in " ".join(invoke(command, "--help").stdout.split())
    refused = invoke(command, tmp_path / "none.yaml")
    assert refused.returncode == 2
    assert message not in refused.stderr


def test_an_answer_that_is_not_resolved_comes_with_it_too(capsys: pytest.CaptureFixture[str]) -> None:
    def command() -> None:
        raise typer.Exit(4)

    with pytest.raises(typer.Exit):
        with_disclaimer(command)()
    assert "not a safety function" in capsys.readouterr().err
