"""A scenario of a few lines: another one with changes, checked like it, errors told with the line that makes them."""

from pathlib import Path

import pytest
from support import ROOT, few_discs, invoke

import armsim
from armsim.errors import InputError

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
TRACK = ROOT / "scenarios" / "track-cell.yaml"


CALIBRATED = """kind: scenario
base: {demo}
changes:
  calibration:
    instrument:
      std: 10 um
      std_per_distance: 6 um/m
    poses: {count: 30}
    identify: {zeros: true, input_orders: {j1: [1]}}
    visits: 5
"""


def written(folder: Path, text: str, name: str = "own.yaml") -> Path:
    folder.mkdir(exist_ok=True)
    file = folder / name
    file.write_text(text)
    return file


@pytest.mark.parametrize("base", [DEMO, TRACK])
def test_it_is_the_base_with_the_changes(tmp_path: Path, base: Path) -> None:
    """Source: the same changes made to the study, which are an edit of the file (test_changes.py)."""
    joint = armsim.load(base).scenario.machine.arm.names[1]
    changes = {f"joints.{joint}.mastering": "3 arcsec", "joints.j3.placement": "output", "sampling.units": 77}
    lines = "".join(f"  {path}: {value}\n" for path, value in changes.items())
    study = armsim.load(written(tmp_path, f"kind: scenario\nbase: {base}\nchanges:\n{lines}"))
    expected = armsim.load(base).change(changes)
    assert study.budgets() == expected.budgets() != armsim.load(base).budgets()
    assert study.scenario.plan == expected.scenario.plan
    assert [task.name for task in study.scenario.tasks] == [task.name for task in expected.scenario.tasks]
    assert {source.path.name for source in study.scenario.sources} >= {"own.yaml", base.name}


def test_names_and_references_count_from_the_file_that_states_them(tmp_path: Path) -> None:
    encoder = (ROOT / "configs" / "encoders").glob("*.yaml")
    first = sorted(encoder)[0]
    written(tmp_path / "parts", first.read_text(), "own-disc.yaml")
    file = written(
        tmp_path,
        f"kind: scenario\nname: other disc\nbase: {DEMO}\nchanges: {{joints.j1.encoder: parts/own-disc.yaml}}\n",
    )
    study = armsim.load(file).scenario
    assert study.name == "other disc"
    assert any(source.path.name == "own-disc.yaml" for source in study.sources)


def test_a_base_may_have_a_base_and_changes_add_up(tmp_path: Path) -> None:
    written(tmp_path, f"kind: scenario\nbase: {DEMO}\nchanges: {{sampling.units: 50}}\n", "first.yaml")
    second = written(tmp_path, "kind: scenario\nbase: first.yaml\nchanges: {sampling.visits: 4}\n", "second.yaml")
    plan = armsim.load(second).scenario.plan
    assert (plan.units, plan.visits) == (50, 4)
    assert armsim.load(second).change({"sampling.seed": 3}).scenario.plan.units == 50


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ("kind: scenario\nbase: own.yaml\n", 2, "bases in a circle: own.yaml -> own.yaml"),
        ("kind: scenario\nbase: nothing.yaml\n", 2, "file not found"),
        ("kind: scenario\nbase: {demo}\nchanges:\n  arm: nothing.yaml\n", 4, "changes.arm: file not found"),
        (
            "kind: scenario\nbase: {demo}\nchanges:\n  joints.j1.encoder: nothing.yaml\n",
            4,
            "changes.joints.j1.encoder: ",
        ),
        (
            "kind: scenario\nbase: {demo}\nchanges:\n  joints.j1.mounting.eccentricity: 20 kg\n",
            4,
            "eccentricity: '20 kg'",
        ),
        ("kind: scenario\nbase: {demo}\nchanges:\n  groups.base.mounting:\n    eccentrcity: 20 um\n", 5, "unknown key"),
        ("kind: scenario\nbase: {demo}\nchanges:\n  tasks.stations.points: 3\n", 4, "changes.tasks.stations.points"),
        (CALIBRATED.replace("10 um", "10 deg"), 6, "changes.calibration.instrument.std: '10 deg' is not a length"),
        (CALIBRATED.replace("std_per", "sdt_per"), 7, "calibration.instrument.sdt_per_distance: unknown key"),
        (CALIBRATED.replace("{count: 30}", "{file: no.csv}"), 8, "changes.calibration.poses.file: file not found"),
        (CALIBRATED.replace("{j1:", "{j9:"), 9, "j9"),
        (
            "kind: scenario\nbase: {demo}\nchanges:\n  joints.j1.error_curve: {file: no.csv, orders: [1], replaces: [eccentricity]}\n",
            4,
            "error_curve.file: file not found",
        ),
        ("kind: scenario\nbase: {demo}\nchanges:\n  joints.j9.mastering: 3 arcsec\n", 4, "no joint 'j9'"),
        ("kind: scenario\nbase: {demo}\nchange: 3\n", 3, "unknown key"),
        ("kind: scenario\nbase: {demo}\ntasks: []\n", 3, "unknown key"),
        ("kind: scenario\nbase: 3\n", 2, "3"),
    ],
)
def test_what_is_wrong_is_told_where_it_stands(tmp_path: Path, text: str, line: int, message: str) -> None:
    file = written(tmp_path, text.replace("{demo}", str(DEMO)))
    with pytest.raises(InputError) as caught:
        armsim.load(file)
    text_of_error = str(caught.value)
    assert message in text_of_error
    if line:
        assert f"own.yaml:{line}:" in text_of_error


@pytest.mark.parametrize(("number", "good"), [(16, True), (17, False)])
def test_a_chain_of_bases_has_an_end(tmp_path: Path, number: int, good: bool) -> None:
    """Each scenario is based on the next, the last on the demo, which is the last base."""
    for n in range(number):
        base = f"s{n + 1}.yaml" if n + 1 < number else str(DEMO)
        written(tmp_path, f"kind: scenario\nbase: {base}\nchanges: {{sampling.units: {n + 1}}}\n", f"s{n}.yaml")
    if good:
        assert armsim.load(tmp_path / "s0.yaml").scenario.plan.units == 1
        return
    with pytest.raises(InputError) as caught:
        armsim.load(tmp_path / "s0.yaml")
    message = str(caught.value)
    assert "s16.yaml:2:1: base: a chain of more than 16 bases: s0.yaml -> s1.yaml -> " in message
    assert "s16.yaml -> bonding-cell.yaml; accepted: at most 16 bases in a chain" in message


def test_bases_in_a_circle_are_told_with_the_circle(tmp_path: Path) -> None:
    for name, base in (("a", "b"), ("b", "c"), ("c", "a")):
        written(tmp_path, f"kind: scenario\nbase: {base}.yaml\n", f"{name}.yaml")
    with pytest.raises(
        InputError, match=r"c\.yaml:2:1: base: bases in a circle: a\.yaml -> b\.yaml -> c\.yaml -> a\.yaml;"
    ):
        armsim.load(tmp_path / "a.yaml")


def test_commands_take_it(tmp_path: Path) -> None:
    file = written(
        tmp_path,
        f"kind: scenario\nname: fine\nbase: {DEMO}\nchanges: {{groups.base.placement: output, tasks.side view.step: 120 mm}}\n",
    )
    checked = invoke("check", file)
    assert checked.returncode == 0, checked.stderr
    assert "changed: groups.base.placement = output" in checked.stderr + checked.stdout
    catalogue = few_discs(tmp_path)
    small = ("--units", "200", "--visits", "3")
    chosen = invoke("select", file, "--catalogue", catalogue, "--write", tmp_path / "new.yaml", *small)
    assert chosen.returncode in (0, 1, 4), chosen.stderr
    assert (tmp_path / "new.yaml").exists() == (chosen.returncode != 1)
    if chosen.returncode != 1:  # based on what is based on the demo
        assert armsim.load(tmp_path / "new.yaml").scenario.name.startswith("fine, cheapest of")


def test_its_own_folder_takes_a_second_result(tmp_path: Path) -> None:
    """The folder that nobody named is of the scenario that was named, not of its base."""
    file = written(
        tmp_path,
        f"kind: scenario\nbase: {DEMO}\nchanges: {{sampling.units: 60, sampling.visits: 3, tasks.side view.step: 120 mm}}\n",
    )
    other = written(tmp_path / "other", f"kind: scenario\nbase: {DEMO}\n")
    for _ in range(2):
        process = invoke("run", file, cwd=tmp_path)
        assert process.returncode in (0, 1, 4), process.stderr
    refused = invoke("run", other, "--units", "60", cwd=tmp_path)
    assert refused.returncode == 2
    assert f"holds the result of {file}" in refused.stderr


def test_what_is_wrong_on_the_command_line_is_told_of_it() -> None:
    process = invoke("check", DEMO, "--set", "joints.j1.mounting.eccentricity=20kg")
    assert process.returncode == 2
    assert "change: joints.j1.mounting.eccentricity: " in process.stderr
    assert "bonding-cell" not in process.stderr
