"""What an addition touches: each is made on a copy of the package, its files are counted, and what was added is used."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import additions
import pytest
import yaml
from support import ROOT

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
    own = (ROOT / "armsim" / "__init__.py").read_text()
    (package / "__init__.py").write_text(f"{own}\n__path__.append({str(ROOT / 'armsim')!r})\n")
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
        own = (package / path).read_text()
        assert own.count(line) == 1, (path, line)
        (package / path).write_text(own.replace(line, text + line))
    for path, line, text in addition.instead:
        own = (package / path).read_text()
        assert own.count(line) == 1, (path, line)
        (package / path).write_text(own.replace(line, text))


def use(home: Path, *given: object) -> subprocess.CompletedProcess[str]:
    """A command of the package in a folder."""
    environment = {**os.environ, "PYTHONPATH": str(home), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-m", "armsim.cli.main", *map(str, given)]
    return subprocess.run(command, capture_output=True, text=True, check=False, env=environment, cwd=home)


def script(home: Path, text: str) -> str:
    environment = {**os.environ, "PYTHONPATH": str(home), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-c", text]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment, cwd=home)
    assert done.returncode == 0, done.stderr
    return done.stdout


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
    told = script(
        home,
        "import armsim; from armsim.report.boilerplate import modelled; from armsim.report.reference import *\n"
        f"print(modelled(armsim.load({str(scenario(tmp_path, {'mounting': {'disc_warp': '5 um'}}))!r})"
        ".with_plan(units=8, visits=2).run()))\n"
        f"print(modelled(armsim.load({str(LESSON)!r}).with_plan(units=8, visits=2).run()))\n"
        "print(effects_table())",
    )
    modelled, left_out, *table = told.splitlines()
    assert "disc warp" in modelled.split("Not stated")[0]
    assert "disc warp (joint mounting.disc_warp)" in left_out.split("Not stated")[1]
    assert any("disc warp" in row and "`mounting.disc_warp`" in row for row in table)


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
    done = use(home, "run", file, "--units", 20, "--visits", 2, "--out", tmp_path / "r")
    assert done.returncode in (0, 1, 4), done.stderr
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
    done = use(home, "run", LESSON, "--units", 20, "--visits", 2, "--out", tmp_path / "r")
    assert done.returncode in (0, 1, 4), done.stderr
    assert list((tmp_path / "r" / "figures").glob("*-lives.svg"))
    assert "by life" in (tmp_path / "r" / "report.html").read_text()


def test_a_statistic_is_a_field_a_line_and_a_column(tmp_path: Path, home: Path) -> None:
    make(additions.STATISTIC, home)
    done = use(home, "run", LESSON, "--units", 200, "--visits", 4, "--out", tmp_path / "r")
    assert done.returncode in (0, 1, 4), done.stderr
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
    done = use(home, "run", file, "--units", 40, "--visits", 3, "--out", tmp_path / "r")
    assert done.returncode == 4, done.stderr  # it has no interval
    assert "half of errors lie within" in done.stdout
    assert "1.00 nm required" in done.stdout
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


def test_a_command_with_folder_and_figure(tmp_path: Path, home: Path) -> None:
    make(additions.COMMAND, home)
    done = use(home, "ranking", LESSON, "--out", tmp_path / "r")
    assert done.returncode == 0, done.stderr
    assert json.loads((tmp_path / "r" / "ranking.json").read_text())["format"] == "armsim-ranking/1"
    assert (tmp_path / "r" / "figures" / "ranking.png").exists()
