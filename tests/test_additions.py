"""What an addition touches: each is made on a copy of the package, its files are counted, and what was added is used."""

import json
import math
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import get_type_hints

import additions
import numpy as np
import pytest
import yaml
from support import ROOT

from armsim import causes, field_spec

LESSON = ROOT / "scenarios" / "lessons" / "eccentricity.yaml"
DEMO = ROOT / "scenarios" / "bonding-cell.yaml"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the copies: what an addition does not touch is taken from the package itself, compiled as it is."""
    return tmp_path_factory.mktemp("additions")


def make(addition: additions.Addition, home: Path) -> None:
    """The package with an addition, in a folder: copies of the parts that it touches."""
    package = home / "armsim"
    shutil.rmtree(package, ignore_errors=True)
    package.mkdir()
    source = (ROOT / "armsim" / "__init__.py").read_text()
    (package / "__init__.py").write_text(f"{source}\n__path__.append({str(ROOT / 'armsim')!r})\n")
    for part in {path.split("/")[0] for path in addition.files}:
        if part.endswith(".py"):
            shutil.copy(ROOT / "armsim" / part, package / part)
        else:
            shutil.copytree(ROOT / "armsim" / part, package / part, ignore=shutil.ignore_patterns("__pycache__"))
    assert len(addition.files) <= addition.most
    for path, text in addition.new.items():
        assert not (package / path).exists()
        (package / path).write_text(text)
    for path, line, text in addition.before:
        source = (package / path).read_text()
        assert source.count(line) == 1, (path, line)
        (package / path).write_text(source.replace(line, text + line))
    for path, line, text in addition.instead:
        source = (package / path).read_text()
        assert source.count(line) == 1, (path, line)
        (package / path).write_text(source.replace(line, text))


BLANK = """
from blank_figures import blank_figure
from armsim.report import drawing
drawing.save_figure = blank_figure
from armsim.cli.main import main
main()
"""
"""A command whose figures are made and saved blank: to lay them out takes nine tenths of the time of a review."""


def use(home: Path, *arguments: object) -> subprocess.CompletedProcess[str]:
    """A command of the package in a folder, its figures blank where no helper process draws them."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join((str(home), str(ROOT / "tests")))}
    command = [sys.executable, "-c", BLANK, *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, env=environment, cwd=home)


def script(home: Path, text: str) -> str:
    environment = {**os.environ, "PYTHONPATH": str(home)}
    command = [sys.executable, "-c", text]
    process = subprocess.run(command, capture_output=True, text=True, check=False, env=environment, cwd=home)
    assert process.returncode == 0, process.stderr
    return process.stdout


def scenario(folder: Path, change: dict[str, object], joint: str = "j1") -> Path:
    """The lesson with keys of its joint changed, in a file."""
    data = yaml.safe_load(LESSON.read_text())
    data["arm"] = str(LESSON.parent / data["arm"])
    entry = data["joints"][next(iter(data["joints"]))]
    if isinstance(entry["encoder"], str):
        entry["encoder"] = str(LESSON.parent / entry["encoder"])
    entry.update(change)
    file = folder / "scenario.yaml"
    file.write_text(yaml.safe_dump(data, sort_keys=False))
    return file


def test_an_effect_is_found_everywhere(tmp_path: Path, home: Path) -> None:
    """Two files: key, check, schema, joint budget, review, table of effects and explanation follow."""
    make(additions.EFFECT, home)
    file = scenario(tmp_path, {"mounting": {"disc_warp": "5 um"}})
    checked = use(home, "check", file)
    assert checked.returncode == 0, checked.stderr
    assert "disc warp" in checked.stdout
    assert "3 per turn" in checked.stdout
    assert "three times per turn" in use(home, "explain", "disc_warp").stdout
    schema = json.loads(use(home, "schema", "scenario").stdout)
    assert "warp of a disc" in json.dumps(schema["$defs"]["MountingDocument"]["properties"]["disc_warp"])
    wrong = use(home, "check", scenario(tmp_path, {"mounting": {"disc_warp": "5 arcsec"}}))
    assert wrong.returncode == 2
    assert "disc_warp" in wrong.stderr
    assert "length" in wrong.stderr
    output = script(
        home,
        "import armsim; from armsim.report.boilerplate import model_texts; from armsim.report.reference import *\n"
        f"print(model_texts(armsim.load({str(scenario(tmp_path, {'mounting': {'disc_warp': '5 um'}}))!r})"
        ".with_plan(units=8, visits=2).run()))\n"
        f"print(model_texts(armsim.load({str(LESSON)!r}).with_plan(units=8, visits=2).run()))\n"
        "print(effects_table())",
    )
    modelled, left_out, *table = output.splitlines()
    assert "disc warp" in modelled.split("Not stated")[0]
    assert "disc warp (joint mounting.disc_warp)" in left_out.split("Not stated")[1]
    assert any("disc warp" in row and "`mounting.disc_warp`" in row for row in table)


ROWS = ((0.3, 0.04, -90), (0, 0.4, 0), (0, 0.03, -90), (0.37, 0, 90), (0, 0, -90), (0.07, 0, 0))
"""d, a [m], alpha [deg] of configs/arms/bench-six.yaml, written out again; its second joint is offset by -90 deg."""


def bench_tool(q: np.ndarray, lean: float) -> np.ndarray:
    """Tool point of that arm with its second joint leaning about x: products of elementary matrices."""

    def turn(axis: str, angle: float) -> np.ndarray:
        c, s = math.cos(angle), math.sin(angle)
        out = np.eye(4)
        out[:3, :3] = [[c, -s, 0], [s, c, 0], [0, 0, 1]] if axis == "z" else [[1, 0, 0], [0, c, -s], [0, s, c]]
        return out

    out = np.eye(4)
    for number, (d, a, alpha) in enumerate(ROWS):
        shift = np.eye(4)
        shift[:3, 3] = a, 0, d
        leaning = turn("x", lean) if number == 1 else np.eye(4)
        out = out @ leaning @ turn("z", q[number]) @ shift @ turn("x", math.radians(alpha))
    return np.asarray((out @ [0, 0, 0.04, 1])[:3])


def test_an_error_motion_stays_with_its_joint(tmp_path: Path, home: Path) -> None:
    """Two files, as any effect; the error at the tool against finite differences of a chain of the test's own."""
    make(additions.ERROR_MOTION, home)
    data = yaml.safe_load(DEMO.read_text())
    for key, owner in (("arm", data), *(("encoder", joint) for joint in data["joints"].values())):
        if not owner[key].startswith("/"):  # joints share their entries
            owner[key] = str(DEMO.parent / owner[key])
    data["joints"]["j2"] = {**data["joints"]["j2"], "mounting": {"bearing_tilt": "0.2 mrad"}}
    data["tasks"] = data["tasks"][:1]
    file = tmp_path / "leaning.yaml"
    file.write_text(yaml.safe_dump(data))
    process = use(home, "run", file, "--units", 400, "--visits", 4, "--out", tmp_path / "r")
    assert process.returncode in (0, 1, 4), process.stderr
    result = json.loads((tmp_path / "r" / "results.json").read_text())
    (task,) = result["tasks"]
    for pose in task["poses"]:
        q = np.array(pose["joints"]) - [0, math.pi / 2, 0, 0, 0, 0]
        column = (bench_tool(q, 1e-6) - bench_tool(q, -1e-6)) / 2e-6
        square = float(column @ column) * 0.2e-3**2 / 3  # uniform within +-0.2 mrad
        share = pose["shares"]["j2"]["bearing tilt"]
        assert share * pose["first_order"]["rms"] ** 2 == pytest.approx(square, rel=1e-6)
        assert pose["error"]["rms"] == pytest.approx(pose["first_order"]["rms"], rel=0.1)  # 400 arms
    parts = {
        (part["owner"], part["cause"]): part["scatter"] + part["bias"] for part in task["summary"]["contributions"]
    }
    assert parts["j2", "bearing tilt"] > 0.1
    groups = {name: sum(share for (owner, _), share in parts.items() if owner in names)
              for name, names in {"base": ("j1", "j2", "j3"), "wrist": ("j4", "j5", "j6")}.items()}  # fmt: skip
    assert task["summary"]["groups"]["base"] == pytest.approx(groups["base"])
    page = (tmp_path / "r" / "report.html").read_text()
    assert "bearing tilt (joint mounting.bearing_tilt)" not in page.split("Not stated")[0]  # it has its effect
    links = script(
        home,
        "import armsim; from armsim.calibration.identifiable import link_axes\n"
        f"machine = armsim.load({str(file)!r}).scenario.machine\n"
        "print(*(str(axis) for axis in link_axes(machine.perturbed_arm)))\n"
        "print(any(t.cause.name == 'bearing tilt' for t in machine.terms))",
    ).split()
    assert links == [f"j{n}.{p}" for n in range(1, 7) for p in ("theta", "d", "a", "alpha")] + ["True"]
    listed = use(home, "check", file)
    assert "j2: error motions of its axis" in listed.stdout
    assert "tilt x" in listed.stdout
    assert "without effect" not in listed.stdout


def test_a_misspelt_cause_is_an_error_of_the_interpreter_and_of_the_type_checker(home: Path) -> None:
    line = "cause=causes.ECCENTRICITY, effect"
    make(additions.Addition(1, instead=(("model/mounting.py", line, "cause=causes.ECENTRICITY, effect"),)), home)
    process = use(home, "check", LESSON)
    assert process.returncode != 0
    assert "ECENTRICITY" in process.stdout + process.stderr
    # the type checker, strict on all of the package, refuses a text
    assert get_type_hints(field_spec.key)["cause"] == causes.Cause | None


def test_a_key_is_one_declaration_and_its_use(tmp_path: Path, home: Path) -> None:
    make(additions.KEY, home)
    price = script(home, f"import armsim; print(armsim.load({str(LESSON)!r}).scenario.machine.price)")
    dearer = scenario(tmp_path, {"price": {"cabling": 7}})
    assert (
        float(script(home, f"import armsim; print(armsim.load({str(dearer)!r}).scenario.machine.price)"))
        == float(price) + 7
    )
    wrong = use(home, "check", scenario(tmp_path, {"price": {"cabling": -1}}))
    assert wrong.returncode == 2
    assert "price.cabling" in wrong.stderr


def test_a_task_is_one_class_and_an_entry(tmp_path: Path, home: Path) -> None:
    make(additions.TASK, home)
    data = yaml.safe_load(DEMO.read_text())
    for key, owner in (("arm", data), *(("encoder", joint) for joint in data["joints"].values())):
        if not owner[key].startswith("/"):  # joints share their entries
            owner[key] = str(DEMO.parent / owner[key])
    data["tasks"] = [{"kind": "ring", "name": "round", "radius": "400 mm", "height": "200 mm", "points": 6}]
    file = tmp_path / "ring.yaml"
    file.write_text(yaml.safe_dump(data))
    process = use(home, "run", file, "--units", 20, "--visits", 2, "--out", tmp_path / "r")
    assert process.returncode in (0, 1, 4), process.stderr
    result = json.loads((tmp_path / "r" / "results.json").read_text())
    assert result["tasks"][0]["kind"] == "ring"
    assert len(result["tasks"][0]["poses"]) == 6
    assert {path.name for path in (tmp_path / "r" / "figures").glob("1-round-*.svg")} >= {
        "1-round-poses.svg",
        "1-round-view.svg",
    }
    file.write_text(yaml.safe_dump(data).replace("points: 6", "points: 0"))
    wrong = use(home, "check", file)
    assert wrong.returncode == 2
    assert "tasks.0.points" in wrong.stderr


def test_a_figure_is_a_function_and_an_entry(tmp_path: Path, home: Path) -> None:
    make(additions.FIGURE, home)
    process = use(home, "run", LESSON, "--units", 20, "--visits", 2, "--out", tmp_path / "r")
    assert process.returncode in (0, 1, 4), process.stderr
    assert list((tmp_path / "r" / "figures").glob("*-lives.svg"))
    assert "by life" in (tmp_path / "r" / "report.html").read_text()


def test_a_statistic_is_a_field_a_line_and_a_column(tmp_path: Path, home: Path) -> None:
    make(additions.STATISTIC, home)
    process = use(home, "run", LESSON, "--units", 200, "--visits", 4, "--out", tmp_path / "r")
    assert process.returncode in (0, 1, 4), process.stderr
    error = json.loads((tmp_path / "r" / "results.json").read_text())["tasks"][0]["poses"][0]["error"]
    assert error["p50"] < error["p75"] < error["p95"]
    assert "p75 [um]" in (tmp_path / "r" / "tables" / "poses.csv").read_text()
    read = script(
        home,
        f"import armsim; print(float(armsim.read({str(tmp_path / 'r' / 'results.json')!r}).tasks[0].column('error.p75')[0]))",
    )
    assert float(read) == pytest.approx(error["p75"], rel=1e-12)


def test_a_criterion_is_a_limit_and_a_class(tmp_path: Path, home: Path) -> None:
    """Read from a file, judged, told in words on terminal and page, and kept in results.json."""
    make(additions.CRITERION, home)
    file = scenario(tmp_path, {})
    data = yaml.safe_load(file.read_text())
    data["requirement"] = {"position": "1 m", "half": "1 nm"}
    file.write_text(yaml.safe_dump(data))
    process = use(home, "run", file, "--units", 40, "--visits", 3, "--out", tmp_path / "r")
    assert process.returncode == 4, process.stderr  # it has no interval
    assert "half of errors lie within" in process.stdout
    assert "1.00 nm required" in process.stdout
    summary = json.loads((tmp_path / "r" / "results.json").read_text())["tasks"][0]["summary"]
    assert "half" in [judgement["criterion"] for judgement in summary["judgements"]]
    assert "half of errors within 1.00 nm" in (tmp_path / "r" / "report.html").read_text()
    shared = use(home, "allocate", file, "--units", 40, "--visits", 3)
    assert shared.returncode == 1, shared.stderr
    assert "half of errors lie within" in shared.stdout
    data["requirement"] = {"position": "1 m"}
    (name,) = (task["name"] for task in data["tasks"])
    data["tasks"][0]["requirement"] = {"half": "1 nm"}
    file.write_text(yaml.safe_dump(data))
    other = tmp_path / "other.yaml"
    other.write_text(yaml.safe_dump({**data, "name": "other"}))
    compared = use(home, "compare", file, other, "--units", 40, "--visits", 3, "--out", tmp_path / "c")
    assert compared.returncode == 0, compared.stderr
    assert f"for {name} half of errors within 1.00 nm" in (tmp_path / "c" / "report.html").read_text()
    assert "half of errors" in compared.stdout
    (difference,) = json.loads((tmp_path / "c" / "comparison.json").read_text())["differences"]
    changes = {row["criterion"]: row for row in difference["criteria"]}
    assert changes["half"]["change"]["value"] == 0.0
    assert changes["half"]["states"] == ["not resolved", "not resolved"]
    changed = use(home, "what-if", file, "--units", 40, "--visits", 3, "--out", tmp_path / "w")
    assert changed.returncode == 0, changed.stderr
    assert "change of half" in changed.stdout
    (row, *_) = json.loads((tmp_path / "w" / "what-if.json").read_text())["rows"]
    assert "half" in [change["criterion"] for change in row["criteria"]]


EVERYWHERE = """
import sys, time
import armsim
from armsim.explorer import view_model
from armsim.explorer.session import Inputs, Session
from armsim.report.sweep_review import sweep_frame

study, catalogue = armsim.load(sys.argv[1]).with_plan(units=40, visits=3), sys.argv[2]
result = study.run(1)
session = Session(Inputs(study), armsim.RunOptions(1))
session.begin()
while (snapshot := session.snapshot) is None or not snapshot.complete:
    time.sleep(0.01)
numbers = view_model.numbers(snapshot, 0)
session.end()
options = study.options(catalogue)
selection = armsim.select(study, options)
said = {
    "notebook": result._repr_html_(),
    "page": str(numbers),
    "sweep": str(sweep_frame(armsim.sweep(study, "joints.j1.mounting.eccentricity", ["0 um", "5 um"])).headers),
    "select": str([row.misses for row in selection.refuted]),
    "trade-off": str([point.failed for point in armsim.trade_off(study, options).points]),
}
for place, text in said.items():
    print(place, "half" in text)
"""


def test_a_criterion_is_known_everywhere(tmp_path: Path, home: Path) -> None:
    """Page, notebook, sweep, search and trade-off know it without a line of their own."""
    make(additions.CRITERION, home)
    file = scenario(tmp_path, {})
    data = yaml.safe_load(file.read_text())
    data["requirement"] = {"position": "1 m", "half": "1 nm"}
    file.write_text(yaml.safe_dump(data))
    discs = yaml.safe_load((ROOT / "configs" / "catalogues" / "discs.yaml").read_text())
    catalogue = tmp_path / "catalogue.yaml"
    catalogue.write_text(yaml.safe_dump({**discs, "encoders": discs["encoders"][:2], "limits": {}}))
    environment = {**os.environ, "PYTHONPATH": str(home)}
    command = [sys.executable, "-c", EVERYWHERE, str(file), str(catalogue)]
    process = subprocess.run(command, capture_output=True, text=True, check=False, env=environment, cwd=home)
    assert process.returncode == 0, process.stderr
    places = dict(line.split() for line in process.stdout.splitlines())
    assert places == dict.fromkeys(("notebook", "page", "sweep", "select", "trade-off"), "True")


def test_a_command_with_folder_and_figure(tmp_path: Path, home: Path) -> None:
    make(additions.COMMAND, home)
    process = use(home, "ranking", LESSON, "--out", tmp_path / "r")
    assert process.returncode == 0, process.stderr
    assert json.loads((tmp_path / "r" / "ranking.json").read_text())["format"] == "armsim-ranking/1"
    assert (tmp_path / "r" / "figures" / "ranking.png").exists()
    assert (tmp_path / "r" / "tables" / "ranking.csv").read_text().startswith("task,95 % quantile [um]\n")
    assert (tmp_path / "r" / "report.pdf").read_bytes().startswith(b"%PDF")
    assert "At " in (tmp_path / "r" / "report.html").read_text()
