"""A study as a change of another: as if the file had been edited, checked like the file, everything else shared."""

import contextlib
import json
import math
from pathlib import Path

import pytest
import yaml
from support import COARSE, ROOT, invoke

import armsim
from armsim.cli.options import parse_changes
from armsim.documents.load import load_changed, load_options
from armsim.documents.source import read_source
from armsim.errors import InputError
from armsim.study import Study

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
TRACK = ROOT / "scenarios" / "track-cell.yaml"


def edited(tmp_path: Path, scenario: Path, edit: object) -> Study:
    """The study of a file edited by hand, references counted from where it was."""
    data = yaml.safe_load(
        scenario.read_text().replace("../", f"{ROOT}/").replace("file: paths", f"file: {scenario.parent}/paths")
    )
    edit(data)  # type: ignore[operator]
    file = tmp_path / "edited.yaml"
    file.write_text(yaml.safe_dump(data))
    return armsim.load(file)


def own_entries(data: dict[str, dict[str, dict[str, object]]]) -> None:
    """Entries that joints share by alias, each its own."""
    data["joints"] = {name: {**joint} for name, joint in data["joints"].items()}


def test_a_change_is_an_edit_of_the_file(tmp_path: Path) -> None:
    changes = {
        "joints.j2.mounting.eccentricity": "7 um",
        "groups.wrist.placement": "output",
        "joints.*.mastering": "3 arcsec",
        "joints.j1.encoder.track_radius": "8 mm",
        "environment.temperature_rise": "4 K",
        "requirement.position": "90 um",
    }
    study = armsim.load(DEMO)
    wrist = study.scenario.machine.arm.groups["wrist"]

    def edit(data: dict[str, dict[str, dict[str, object]]]) -> None:
        own_entries(data)
        joints = data["joints"]
        joints["j2"]["mounting"] = {**joints["j2"]["mounting"], "eccentricity": "7 um"}  # type: ignore[dict-item]
        for name in joints:
            joints[name]["mastering"] = "3 arcsec"
        for name in wrist:
            joints[name]["placement"] = "output"
        encoder = yaml.safe_load(Path(str(joints["j1"]["encoder"])).read_text())
        joints["j1"]["encoder"] = {**encoder, "track_radius": "8 mm"}
        data["environment"] = {"temperature_rise": "4 K"}  # type: ignore[dict-item]
        data["requirement"]["position"] = "90 um"  # type: ignore[assignment]

    expected = edited(tmp_path, DEMO, edit).scenario
    got = study.change(changes).scenario
    assert got.machine.joints == expected.machine.joints
    assert got.machine.environment == expected.machine.environment
    assert got.requirement == expected.requirement
    assert study.scenario.machine.joints[1].mounting != got.machine.joints[1].mounting  # the first is as it was


def test_the_same_by_joint_and_on_a_linear_axis() -> None:
    """Seven axes on a track: the scale of the track changes by a length, and refuses an angle."""
    study = armsim.load(TRACK)
    track = study.scenario.machine.arm.names[0]
    coarse = study.change(joints={track: {"mastering": "40 um"}})
    assert coarse.scenario.machine.joints[0].mastering is not None
    assert coarse.scenario.machine.joints[0].mastering.scale == pytest.approx(40e-6)
    with pytest.raises(InputError, match="length is required"):
        study.change({f"joints.{track}.mastering": "4 arcsec"})


def test_what_is_not_concerned_is_shared() -> None:
    study = armsim.load(DEMO).with_plan(units=40, visits=2)
    changed = study.change({"joints.j1.mounting.eccentricity": "1 um"})
    assert changed.scenario.plan == study.scenario.plan  # set in Python, and kept
    assert changed.scenario.tasks is study.scenario.tasks
    first, second = study.find(), changed.find()
    assert all(a.configurations.joints is b.configurations.joints for a, b in zip(first, second, strict=True))
    twice = changed.change({"joints.j2.mounting.eccentricity": "1 um"})
    assert twice.scenario.machine.joints[0] == changed.scenario.machine.joints[0]
    assert twice.run(1).task("side view").summary.p95 < study.run(1).task("side view").summary.p95


def test_a_key_is_taken_away() -> None:
    study = armsim.load(DEMO)
    assert study.scenario.machine.joints[0].mastering is not None
    assert study.change({"joints.j1.mastering": None}).scenario.machine.joints[0].mastering is None


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        ("joints.j9.placement", "output", "no joint 'j9'"),
        ("groups.wirst.placement", "output", "did you mean 'wrist'"),
        ("tasks.side.step", "9 mm", "did you mean 'side view'"),
        ("tasks.side view", "9 mm", "an entry of a list"),
        ("joints.j1.mounting.eccentricity", "5 arcsec", "is not a length"),
        ("joints.j1.mountin.eccentricity", "5 um", "did you mean 'mounting'"),
        ("sampling.units", "x", "is not accepted"),
        ("name.x", 1, "has no parts"),
        ("nothing.at.all", 1, "unknown key"),
        ("joints.j1.encoder", "nowhere.yaml", "file not found"),
    ],
)
def test_a_change_that_is_none_is_named(path: str, value: object, message: str) -> None:
    with pytest.raises(InputError) as caught:
        armsim.load(DEMO).change({path: value})
    assert message in str(caught.value)


def test_a_machine_made_in_python_is_not_overwritten() -> None:
    study = armsim.load(DEMO)
    result = study.with_scenario(machine=study.scenario.machine)
    with pytest.raises(ValueError, match="made in Python"):
        result.with_plan(units=3).change({"joints.j1.placement": "output"})


def test_set_on_the_command_line(tmp_path: Path) -> None:
    """A run with changes is that of the edited file; its manifest does it again, and says what was changed."""
    target = ["--set", "joints.j2.mounting.eccentricity=7 um", "--set", "groups.wrist.encoder.track_radius=8mm"]
    few = ["--units", "30", "--visits", "2", *COARSE]
    process = invoke("run", DEMO, *target, *few, "--out", tmp_path / "r")
    assert process.returncode in (0, 1, 4), process.stderr
    assert "changed: joints.j2.mounting.eccentricity = 7 um" in process.stderr
    changes = {"joints.j2.mounting.eccentricity": "7 um", "groups.wrist.encoder.track_radius": "8 mm"}
    changes["tasks.side view.step"] = "120 mm"
    study = armsim.load(DEMO).change(changes).with_plan(units=30, visits=2)
    got, expected = armsim.read(tmp_path / "r" / "results.json"), study.run(1)
    assert got.tasks == expected.tasks
    manifest = json.loads((tmp_path / "r" / "manifest.json").read_text())
    assert "--set 'joints.j2.mounting.eccentricity=7 um'" in manifest["command"]
    assert any(row["file"].endswith("disc-13.yaml") for row in manifest["inputs"])  # read, and then changed
    again = invoke("run", "--reproduce", tmp_path / "r" / "manifest.json", "--out", tmp_path / "again")
    assert again.returncode in (0, 1, 4), again.stderr
    assert "the same to the bit" in again.stderr
    checked = invoke("check", DEMO, *target)
    assert checked.returncode == 0
    assert checked.stdout != invoke("check", DEMO).stdout


def test_set_with_a_catalogue_changes_what_is_chosen_for(tmp_path: Path) -> None:
    """Everything that the joint keeps, its gear here, is that of the changed scenario."""
    catalogue = ROOT / "configs" / "catalogues" / "discs.yaml"
    ready, options = load_options(DEMO, catalogue, {"joints.*.transmission.lost_motion": "1 arcsec"})
    (lost,) = {joint.transmission.lost_motion for joint in ready.machine.joints}
    assert lost == pytest.approx(math.radians(1 / 3600))
    assert {item.joint.transmission for item in options.joints[0]} == {ready.machine.joints[0].transmission}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("joints.j1.placement", "accepted: PATH=VALUE"),
        ("=5 um", "accepted: PATH=VALUE"),
        (" =5 um", "accepted: PATH=VALUE"),
        ("sampling.units=[1, 2", "--set sampling.units: '[1, 2' is not YAML"),
        ("sampling.units=0100", "'0100' begins with a zero, which some read as octal; accepted: 100, if it is decimal"),
        ("sampling.units=1_0", "'1_0' is a number in a notation that is not accepted"),
        ("sampling.units=1:30", "'1:30' is a number in a notation that is not accepted"),
        ("sampling.units=0x14", "'0x14' is a number in a notation that is not accepted"),
        ("requirement.position=!!python/name:os.system", "tag "),
        ("joints={j1: {encoder: 0100}}", "--set joints.j1.encoder: '0100' begins with a zero"),
        ("tasks=" + "[" * 2000, "nested too deeply"),
        ("tasks=" + "[" * 50 + "]" * 50, "nested too deeply"),
        ("tasks=[" + "0," * 100_001 + "]", "too many values"),
        ("sampling.units={a: 1, a: 2}", "key given twice"),
        ("sampling.units=*a", "undefined alias 'a'"),
        ("sampling.units=1\n--- 2", "another document"),
    ],
    ids=range(16),
)
def test_a_set_that_is_none_is_named(text: str, message: str) -> None:
    process = invoke("check", DEMO, "--set", text)
    assert process.returncode == 2
    assert process.stderr.startswith("error: command line: --set")
    assert message in process.stderr
    assert len(process.stderr.splitlines()) == 1


PARTS = ("joints", "joints.j1", "joints.j1.encoder", "joints.j1.mounting", "arm", "tasks", "sampling", "motion", "name")
PATHS = (
    "joints.*.placement", "joints.*.encoder.price", "groups.wrist.placement", "joints.j1.encoder.signal.noise",
    "tasks.stations.poses.p.x", "tasks.1.name", "arm.tolerances.d", "sampling.units", "motion.joints.j1.speed", "name.x",
)  # fmt: skip


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize(
    "value",
    [5, True, None, "x", [], [1], {}, {"a": 1}, [{"name": "stations"}, 5, {"name": "1"}], {"j1": 5}, {"j1": None}],
)
def test_whatever_is_put_there_a_path_through_it_is_bad_input_or_good(part: str, value: object) -> None:
    """A change that leaves no mapping where the next one looks for its keys; nothing but an error of the input."""
    document = armsim.load(DEMO).scenario
    for path in PATHS:
        with contextlib.suppress(InputError):
            load_changed(document, {part: value, path: "1 %"})


@pytest.mark.parametrize(
    "arguments", [["joints=5", "joints.*.placement=output"], ["joints=[1]", "joints.*.mastering=1 um"]]
)
def test_joints_that_are_none_are_bad_input(arguments: list[str]) -> None:
    process = invoke("check", DEMO, *(word for text in arguments for word in ("--set", text)))
    assert process.returncode == 2
    assert "which has no parts" in process.stderr


@pytest.mark.parametrize(
    "text",
    ["64", "-3", "1e3", "1.5e-3", "1E+2", ".5", "7.", "0", "00", "010", "1:30", "1_0", "0x1F", "0b1", "0o7", "~", "null",
     "yes", "no", "true", "20 um", "'0100'", '"1e3"', "[1, 2 mm]", "{a: 1e3, b: [~]}", "2020-01-01", "12:30:45", ".inf",
     "-.INF", ".nan", "+5", "1,5", "=", "<<", "a: b", "- 1", "!!int 5", "!!float '1_0'", "&a 1", "9" * 5000, "١٢", "# x"],
)  # fmt: skip
def test_a_value_of_the_command_line_reads_as_in_a_file(text: str, tmp_path: Path) -> None:
    """The same value, or both refused. Source: the reader of files."""
    (tmp_path / "x.yaml").write_text(f"value:\n  {text}\n")
    try:
        expected = repr(read_source(tmp_path / "x.yaml").data["value"])  # a nan equals nothing
    except InputError:
        with pytest.raises(InputError, match="command line"):
            parse_changes([f"a.b={text}"])
        return
    assert repr(parse_changes([f"a.b={text}"])["a.b"]) == expected
