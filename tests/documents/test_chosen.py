"""A chosen design is a change of the user's scenario: what is read back is what was chosen, in a few lines."""

import random
from dataclasses import dataclass
from pathlib import Path

import pytest
import yaml
from support import COARSE, FEW_DISCS, ROOT, invoke

import armsim
from armsim.decide.decision_records import FittedMotorEncoder
from armsim.documents.load import load_options, load_scenario
from armsim.documents.write_overrides import selection_text
from armsim.errors import InputError
from armsim.model.joint_options import Options

DEMO = ROOT / "scenarios" / "bonding-cell.yaml"
TRACK = ROOT / "scenarios" / "track-cell.yaml"
DISCS = ROOT / "configs" / "catalogues" / "discs.yaml"


ONE = {"limits": {"joints": {"j6": {"placements": ["output"]}}}}


@dataclass
class Row:
    joint: str
    encoder: str
    mounting: str
    placement: str
    encoder_price: float | None = None
    one_off: float = 0.0
    motor: FittedMotorEncoder | None = None


def chosen(options: Options, names: tuple[str, ...], seed: int) -> tuple[list[Row], list[object]]:
    pick = random.Random(seed)
    result_value = [pick.choice(offered) for offered in options.joints]
    rows = [Row(n, o.encoder, o.mounting, o.placement) for n, o in zip(names, result_value, strict=True)]
    return rows, [o.joint for o in result_value]


def shop(folder: Path, **more: object) -> Path:
    """The catalogue without limits, and with other parts where they are given."""
    data = {key: value for key, value in yaml.safe_load(DISCS.read_text()).items() if key != "limits"}
    path = folder / "shop.yaml"
    path.write_text(yaml.safe_dump({**data, **more}))
    return path


@pytest.mark.parametrize("seed", range(5))
def test_a_choice_reads_back_to_the_bit(tmp_path: Path, seed: int) -> None:
    """Joints of the demo share one entry by alias: each must become its own."""
    ready, options = load_options(DEMO, DISCS)
    rows, joints = chosen(options, ready.machine.arm.names, seed)
    deep = tmp_path / "a" / "b"
    deep.mkdir(parents=True)
    (deep / "chosen.yaml").write_text(selection_text(DEMO, ready.machine, ready.sources, DISCS, rows, "chosen", deep))
    back = load_scenario(deep / "chosen.yaml")
    assert back.name == "chosen"
    assert list(back.machine.joints) == joints
    assert [task.name for task in back.tasks] == [task.name for task in ready.tasks]
    assert back.requirement == ready.requirement


def test_joints_fitted_alike_share_their_lines(tmp_path: Path) -> None:
    ready, _ = load_options(DEMO, DISCS)
    names = ready.machine.arm.names
    alike = [Row(name, "disc 26 256", "careful", "motor") for name in names]
    text = selection_text(DEMO, ready.machine, ready.sources, DISCS, alike, "all alike", tmp_path)
    changes = yaml.safe_load(text)["changes"]
    assert set(changes) == {f"joints.*.{key}" for key in ("encoder", "placement", "mounting", "price")}
    assert changes["joints.*.encoder"].endswith("discs.yaml#disc 26 256")
    assert changes["joints.*.mounting"] == {"eccentricity": "8 um", "disc_tilt": "0.1 deg"}  # as the user wrote it
    alike[0] = Row("j1", "disc 50 512", "careful", "motor")
    text = selection_text(DEMO, ready.machine, ready.sources, DISCS, alike, "base apart", tmp_path)
    assert {path.rpartition(".")[0] for path in yaml.safe_load(text)["changes"]} == {
        "groups.wrist", "joints.j1", "joints.j2", "joints.j3",
    }  # fmt: skip
    assert len(text.splitlines()) <= 20


def test_references_of_a_catalogue_stay_references(tmp_path: Path) -> None:
    """An encoder in a file of its own is named, not copied."""
    folder = tmp_path / "shop"
    folder.mkdir()
    (folder / "disc.yaml").write_text((ROOT / "configs" / "encoders" / "disc-28.yaml").read_text())
    catalogue = shop(folder, encoders=[{"encoder": "disc.yaml", "stock": 90}])
    ready, options = load_options(DEMO, catalogue)
    rows, joints = chosen(options, ready.machine.arm.names, 2)
    out = selection_text(DEMO, ready.machine, ready.sources, catalogue, rows, "chosen", tmp_path)
    assert "shop/disc.yaml" in out
    (tmp_path / "chosen.yaml").write_text(out)
    assert list(load_scenario(tmp_path / "chosen.yaml").machine.joints) == joints


@pytest.mark.parametrize("inline", [True, False], ids=["within", "in a file"])
def test_what_an_entry_states_beside_its_encoder_stays_with_it(tmp_path: Path, inline: bool) -> None:
    """Diameter, mass and interface, in the search, in the design that is written and after a further change of it.
    Source: the entry."""
    encoder = (ROOT / "configs" / "encoders" / "disc-28.yaml").read_text()
    folder, out = tmp_path / "shop", tmp_path / "out"
    (folder / "sheets").mkdir(parents=True)
    out.mkdir()
    (folder / "sheets" / "disc.yaml").write_text(encoder)
    entry = {"diameter": "33 mm", "mass": "44 g", "interface": "serial synchronous"}
    what = yaml.safe_load(encoder) if inline else "sheets/disc.yaml"
    catalogue = shop(folder, encoders=[{**entry, "encoder": what}])
    ready, options = load_options(DEMO, catalogue)
    rows, joints = chosen(options, ready.machine.arm.names, 2)
    text = selection_text(DEMO, ready.machine, ready.sources, catalogue, rows, "chosen", out)
    (out / "chosen.yaml").write_text(text)
    back = load_scenario(out / "chosen.yaml")
    assert list(back.machine.joints) == joints
    assert {folder / "shop.yaml", *([] if inline else [folder / "sheets" / "disc.yaml"])} <= {
        Path(source.path).resolve() for source in back.sources
    }
    changed = armsim.load(out / "chosen.yaml").change({"joints.j1.encoder.price": 5})
    for scenario in (ready.machine, back.machine, changed.scenario.machine):
        (fitted, *_) = joints if scenario is ready.machine else scenario.joints
        assert fitted.encoder.mass == pytest.approx(0.044)
        assert fitted.encoder.body.outer_diameter == pytest.approx(0.033)
        assert fitted.encoder.functions.interface == "serial synchronous"
        assert fitted.encoder.track_radius == joints[0].encoder.track_radius
    other = armsim.load(out / "chosen.yaml").change({"joints.j1.encoder.interface": "incremental sine"})
    assert other.scenario.machine.joints[0].encoder.functions.interface == "incremental sine"
    with pytest.raises(InputError, match="joints.j1.encoder.read_heads" if inline else "read_heads"):
        armsim.load(out / "chosen.yaml").change({"joints.j1.encoder.read_heads": "many"})


def test_an_arm_within_the_scenario_finds_its_urdf(tmp_path: Path) -> None:
    folder = tmp_path / "a"
    folder.mkdir()
    (folder / "robot.urdf").write_text(URDF)
    (folder / "scenario.yaml").write_text(INLINE)
    catalogue = shop(folder)
    ready, options = load_options(folder / "scenario.yaml", catalogue)
    rows, joints = chosen(options, ready.machine.arm.names, 3)
    other_folder = tmp_path / "b"
    other_folder.mkdir()
    text = selection_text(
        folder / "scenario.yaml", ready.machine, ready.sources, catalogue, rows, "chosen", other_folder
    )
    (other_folder / "chosen.yaml").write_text(text)
    assert list(load_scenario(other_folder / "chosen.yaml").machine.joints) == joints


@pytest.mark.parametrize("expected", [{"placements": {"motor": 0, "output": 20, "both": 7}}, ONE])
def test_two_encoders_stay_two_unless_the_catalogue_says_one(tmp_path: Path, expected: dict[str, object]) -> None:
    """j6 of the track cell has encoders on both sides, and counts turns; its track takes a linear scale."""
    base = tmp_path / "counting.yaml"
    base.write_text(f"kind: scenario\nname: counting\nbase: {TRACK}\nchanges: {{joints.j6.counts_turns: true}}\n")
    tape = yaml.safe_load((ROOT / "configs" / "encoders" / "tape-20.yaml").read_text())
    encoders = [*yaml.safe_load(DISCS.read_text())["encoders"][:4], {"encoder": tape}]
    catalogue = shop(tmp_path, encoders=encoders, mountings=[{"name": "plain", "price": 0}], **expected)
    ready, options = load_options(base, catalogue)
    second = ready.machine.joints[-1].motor_encoder
    assert second is not None
    for option in options.joints[-1]:
        if expected is ONE:
            assert (option.placement, option.joint.motor_encoder, option.joint.counts_turns) == ("output", None, False)
        else:
            assert (option.placement, option.joint.motor_encoder, option.joint.counts_turns) == ("both", second, True)
            assert option.price == option.joint.encoder.price + second.price + 7
    assert not any(option.placement == "both" for joint in options.joints[:-1] for option in joint)
    rows, joints = chosen(options, ready.machine.arm.names, 4)
    text = selection_text(base, ready.machine, ready.sources, catalogue, rows, "chosen", tmp_path)
    (tmp_path / "chosen.yaml").write_text(text)
    assert list(load_scenario(tmp_path / "chosen.yaml").machine.joints) == joints


def test_two_encoders_without_a_price_are_refused(tmp_path: Path) -> None:
    """One clear error, at the placements of the catalogue; nothing is written."""
    out = tmp_path / "chosen.yaml"
    second = f"joints.j2.motor_encoder={ROOT / 'configs' / 'encoders' / 'disc-50.yaml'}"
    words = ("--write", out, "--set", second, "--set", "joints.j2.placement=both")
    process = invoke("select", DEMO, "--catalogue", DISCS, *words)
    assert process.returncode == 2
    assert process.stderr.count("discs.yaml:") == 1
    assert "joint j2 has two sensors, and placement both is not priced" in process.stderr
    assert not out.exists()


def test_a_slide_is_refused_for_what_is_in_its_way(tmp_path: Path) -> None:
    """Every way of assembling has an eccentricity, which no linear scale can have: not its placement is wrong."""
    tape = yaml.safe_load((ROOT / "configs" / "encoders" / "tape-20.yaml").read_text())
    encoders = [*yaml.safe_load(DISCS.read_text())["encoders"][:4], {"encoder": tape}]
    limits = {"joints": {"track": {"placements": ["output"]}, "j6": {"placements": ["output"]}}}
    with pytest.raises(InputError) as caught:
        load_options(TRACK, shop(tmp_path, encoders=encoders, limits=limits))
    (problem,) = caught.value.problems
    assert "joint track" in problem.actual
    assert "eccentricity at the prismatic joint" in problem.actual
    assert "rotary scale" in problem.accepted


def test_a_reference_into_a_catalogue_can_be_changed_further(tmp_path: Path) -> None:
    study = armsim.load(DEMO).change({"joints.j1.encoder": f"{DISCS}#disc 26 256", "joints.j1.encoder.price": 5})
    assert study.scenario.machine.joints[0].encoder.price == 5
    assert study.scenario.machine.joints[0].encoder.name == "disc 26 256"
    with pytest.raises(InputError, match="no encoder named 'disc 9'"):
        armsim.load(DEMO).change({"joints.j1.encoder": f"{DISCS}#disc 9"})
    with pytest.raises(InputError, match="no encoder named 'disc 9'"):
        armsim.load(DEMO).change({"joints.j1.encoder": f"{DISCS}#disc 9", "joints.j1.encoder.price": 5})


def test_select_writes_what_was_set_too(tmp_path: Path) -> None:
    """What --set changed stands in the file that is written, its references counted from there."""
    out, encoder = tmp_path / "chosen.yaml", "../configs/encoders/disc-50.yaml"
    few = [row for row in yaml.safe_load(DISCS.read_text())["encoders"] if f"{row['encoder']['name']}," in FEW_DISCS]
    assert len(few) == len(FEW_DISCS)
    catalogue = shop(tmp_path, placements={"motor": 0, "output": 20, "both": 5}, encoders=few)
    process = invoke(
        "select", DEMO, "--catalogue", catalogue, "--write", out, "--units", "200", "--visits", "3", *COARSE, "--set",
        "requirement={position: 90 um, coverage: 95 %}", "--set", f"joints.j2.motor_encoder={encoder}", "--set",
        "joints.j2.placement=both",
    )  # fmt: skip
    assert process.returncode in (0, 4), process.stderr
    back = load_scenario(out)
    assert back.requirement is not None
    assert back.requirement.position == pytest.approx(90e-6)
    assert back.machine.joints[1].motor_encoder is not None
    assert back.machine.joints[1].placement == "both"
    assert f"# {back.machine.price:g} cost units" in out.read_text()  # the second encoder and the placement among them
    changes = yaml.safe_load(out.read_text())["changes"]
    assert changes["requirement"] == {"position": "90 um", "coverage": "95 %"}


URDF = """<robot name="one"><link name="base"/><link name="tip"/><joint name="turn" type="revolute">
<parent link="base"/><child link="tip"/><origin xyz="0 0 0.1"/><axis xyz="0 0 1"/>
<limit lower="-1" upper="1" effort="1" velocity="1"/></joint></robot>"""
INLINE = """kind: scenario
name: inline
arm:
  kind: arm
  name: one
  kinematics: {convention: urdf, file: robot.urdf, base_link: base, tip_link: tip, tool: {xyz: [200 mm, 0 mm, 0 mm]}}
joints:
  turn:
    encoder: {kind: encoder, name: s, measures: rotation, summary: {resolution: 16 bit}}
    placement: output
requirement: {position: 1 mm}
tasks: [{kind: poses, name: t, poses: [{name: p, joints: [0 deg]}]}]
"""
