"""More wrong input, each with the message that it must give. With `WRONG` of test_documents it makes the corpus."""

import os
import re
from pathlib import Path

import pytest
from support import ROOT
from test_documents import ARM, ENCODER, FILES, SCENARIO, WRONG, faults, write

from armsim.documents import check_file
from armsim.documents.load import load_options, load_scenario
from armsim.errors import InputError

POSE = "{name: near, joints: [10 deg, 20 deg, 30 mm]}"
MORE = [
    # file, what to replace, by what, what the message must hold
    # --- numbers that are none
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: .inf", ["scenario.yaml:13:5: joints.j1.mastering", "bare number inf"]),
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: nan arcsec", ["joints.j1.mastering", "'nan arcsec'"]),
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: inf arcsec", ["joints.j1.mastering", "'inf arcsec'"]),
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: ten arcsec", ["not a number with a unit", "arcsec"]),
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: 10 arc sec", ["'arc sec' is not a unit"]),
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: true", ["joints.j1.mastering", "True is not a number"]),
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: [10 arcsec]", ["joints.j1.mastering", "is not a number with a unit"]),
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: {limit: 10}", ["joints.j1.mastering", "bare number 10"]),
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: {limit: 10 arcsec, phase: 0 deg}", ["unknown key 'phase'"]),
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: {}", ["exactly one of 'limit' and 'std'"]),
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: {std: 3 arcsec, distribution: uniform}", ["'uniform' of a std", "normal"]),
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: {std: 3 arcsec, distribution: rayleigh}", ["'rayleigh'", "normal"]),
    ("scenario.yaml", "eccentricity: 15 um", "eccentricity: {limit: 15 um, phase: 3 um}", ["'3 um' is not an angle"]),
    ("scenario.yaml", "eccentricity: 15 um", "eccentricity: {limit: .nan}", ["eccentricity", "bare number nan"]),
    ("scenario.yaml", "mastering: 10 arcsec", "mastering: 10 \N{GREEK SMALL LETTER MU}furlong", ["is not a unit"]),
    # --- requirement
    ("scenario.yaml", "position: 100 um", "position: 0 um", ["requirement.position", "more than 0"]),
    ("scenario.yaml", "position: 100 um", "position: -5 um", ["requirement.position", "too small"]),
    ("scenario.yaml", "position: 100 um", "position: 5 arcsec", ["requirement.position", "not a length"]),
    ("scenario.yaml", "position: 100 um, ", "", ["scenario.yaml:21:1: requirement.position: missing"]),
    ("scenario.yaml", "repeatability: 20 um", "repeatability: 0 um", ["requirement.repeatability", "more than 0"]),
    ("scenario.yaml", "repeatability: 20 um", "repeatability: 20 arcsec", ["requirement.repeatability", "not a length"]),
    ("scenario.yaml", "yield: 99 %", "yield: 0 %", ["requirement.yield", "more than 0"]),
    ("scenario.yaml", "yield: 99 %", "yield: 101 %", ["requirement.yield", "at most 100 %"]),
    ("scenario.yaml", "coverage: 95 %", "coverage: 100 %", ["requirement.coverage", "at most 99.99 %"]),
    ("scenario.yaml", "coverage: 95 %", "coverage: 0 %", ["requirement.coverage", "at least 1 %"]),
    ("scenario.yaml", "coverage: 95 %", "cover: 95 %", ["unknown key", "did you mean 'coverage'?"]),
    # --- sampling
    ("scenario.yaml", "seed: 7", "seed: -7", ["sampling.seed", "from 0 to"]),
    ("scenario.yaml", "seed: 7", "seed: seven", ["sampling.seed", "'seven'"]),
    ("scenario.yaml", "visits: 5", "visits: 0", ["sampling.visits", "from 1 to"]),
    ("scenario.yaml", "visits: 5", "visits: 2.5", ["sampling.visits", "2.5"]),
    ("scenario.yaml", "units: 50", "units: yes", ["sampling.units", "True"]),
    ("scenario.yaml", "units: 50", "unit: 50", ["sampling.unit", "did you mean 'units'?"]),
    # --- references
    ("scenario.yaml", "encoder: disc.yaml", "encoder: scenario.yaml", ["kind: 'scenario'", "accepted: encoder"]),
    ("scenario.yaml", "arm: arm.yaml", "arm: scenario.yaml", ["kind: 'scenario'", "accepted: arm"]),
    ("scenario.yaml", "arm: arm.yaml", "arm: ./", ["scenario.yaml:3:1: arm", "not a regular file"]),
    ("scenario.yaml", "arm: arm.yaml", "arm: [arm.yaml]", ["scenario.yaml:3:1: arm", "is not a reference"]),
    ("scenario.yaml", "arm: arm.yaml", "arm: {kind: arm}", ["arm.name: missing", "arm.kinematics: missing"]),
    ("scenario.yaml", "arm: arm.yaml", "arm:", ["scenario.yaml:3:1: arm", "None is not a reference"]),
    ("scenario.yaml", "encoder: disc.yaml", "encoder:", ["joints.j1.encoder", "None is not a reference"]),
    ("scenario.yaml", "encoder: disc.yaml", "encoder: ''", ["joints.j1.encoder", "is not a reference"]),
    ("scenario.yaml", "encoder: disc.yaml", "encoders: disc.yaml", ["joints.j1.encoder: missing", "did you mean 'encoder'?"]),
    ("scenario.yaml", "encoder: disc.yaml", "encoder: {name: x}", ["joints.j1.encoder.kind", "missing"]),
    # --- joints
    ("scenario.yaml", "joints:\n  j1", "joints: {}\nold:\n  j1", ["old: unknown key"]),
    ("scenario.yaml", "joints:\n  j1", "joints: []\nold:\n  j1", ["joints: [] is not accepted", "a mapping"]),
    ("scenario.yaml", "    placement: motor\n", "    placement: motor\n    approach: sideways\n", ["joints.j1.approach", "'random', 'positive' or 'negative'"]),
    ("scenario.yaml", "    placement: motor\n", "", ["joints.j1.placement"]),
    ("scenario.yaml", "ratio: 100", "ratio: hundred", ["joints.j1.transmission.ratio", "'hundred'"]),
    ("scenario.yaml", "ratio: 100", "type: worm", ["joints.j1.transmission.type", "'worm'"]),
    ("scenario.yaml", "order: 2", "order: 0", ["kinematic_error.0.order"]),
    ("scenario.yaml", "order: 2", "order: -2", ["kinematic_error.0.order"]),
    ("scenario.yaml", "amplitude: 20 arcsec", "amplitude: 20 um", ["kinematic_error.0.amplitude", "length where angle is required"]),
    ("scenario.yaml", "lost_motion: 30 arcsec", "lost_motion: 30 um", ["lost_motion", "where angle is required, at the revolute joint j1"]),
    ("scenario.yaml", "lost_motion: 30 arcsec", "backlash: 30 arcsec", ["joints.j1.transmission.backlash", "unknown key"]),
    ("scenario.yaml", "disc_tilt: 0.1 deg", "disc_tilt: 0.1 mm", ["disc_tilt", "not an angle"]),
    ("scenario.yaml", "disc_tilt: 0.1 deg", "head_tilt: 30 deg", ["head_tilt", "at most"]),
    ("scenario.yaml", "kind: encoder, name: tape, measures: translation, signal_period: 20 um", "kind: encoder, name: tape, measures: translation, signal_period: 0 um", ["signal_period", "more than 0"]),
    # --- tasks
    ("scenario.yaml", POSE, "{joints: [10 deg, 20 deg, 30 mm]}", ["tasks.0.poses.0.name: missing"]),
    ("scenario.yaml", POSE, "{name: near}", ["exactly one of 'joints' and 'xyz'"]),
    ("scenario.yaml", POSE, "{name: near, joints: [10 deg, 20 deg, 30 mm], xyz: [0 mm, 0 mm, 0 mm]}", ["exactly one of"]),
    ("scenario.yaml", POSE, f"{POSE}, {POSE}", ["two poses named 'near'"]),
    ("scenario.yaml", f"[{POSE}]", "[]", ["tasks.0.poses", "at least 1 of them"]),
    ("scenario.yaml", f"[{POSE}]", "near", ["tasks.0.poses", "a list"]),
    ("scenario.yaml", "[10 deg, 20 deg, 30 mm]", "[10, 20, 30]", ["tasks.0.poses.0.joints.0", "bare number 10"]),
    ("scenario.yaml", "{kind: poses, name: corners", "{name: corners", ["tasks.0.kind: missing"]),
    ("scenario.yaml", "{kind: poses, name: corners", "{kind: poses", ["tasks.0.name: missing"]),
    ("scenario.yaml", "sampling:", f"  - {{kind: poses, name: corners, poses: [{POSE}]}}\nsampling:", ["two tasks named 'corners'"]),
    ("scenario.yaml", "tasks:\n", "tasks:\n  - poses\n", ["tasks.0"]),
    ("scenario.yaml", "tasks:\n", "tasks:\n  - {kind: slice, name: s, plane: ab, at: 0 mm, step: 9 mm}\n", ["plane", "'ab'"]),
    ("scenario.yaml", "tasks:\n", "tasks:\n  - {kind: slice, name: s, plane: xy, at: 0 deg, step: 9 mm}\n", ["at", "not a length"]),
    ("scenario.yaml", "tasks:\n", "tasks:\n  - {kind: slice, name: s, plane: xy, at: 0 mm, step: 0 mm}\n", ["step", "more than 0"]),
    ("scenario.yaml", "tasks:\n", "tasks:\n  - {kind: iso-poses, name: i, cube: {centre: [0 mm, 0 mm], edge: 9 mm}}\n", ["centre", "too few"]),
    # --- bus and environment
    ("scenario.yaml", "tasks:\n", "environment: {temperature_rise: 5}\ntasks:\n", ["environment.temperature_rise", "bare number 5", "K"]),
    ("scenario.yaml", "tasks:\n", "environment: {temperature_rise: 5 deg}\ntasks:\n", ["not a temperature"]),
    ("scenario.yaml", "tasks:\n", "bus: {cycle: -1 us}\ntasks:\n", ["bus.cycle", "too small"]),
    ("scenario.yaml", "tasks:\n", "bus: {cycle: 250 us, synchronous: maybe}\ntasks:\n", ["bus.synchronous", "true or false"]),
    # --- encoder
    ("disc.yaml", "price: 38", "price: .inf", ["disc.yaml:11:1: price", "inf is not accepted"]),
    ("disc.yaml", "price: 38", "price: -1", ["price", "not negative"]),
    ("disc.yaml", "price: 38", "price: 38 EUR", ["price", "'38 EUR'"]),
    ("disc.yaml", "read_heads: 1", "read_heads: 0", ["read_heads", "from 1 to 64"]),
    ("disc.yaml", "read_heads: 1", "read_heads: 1.5", ["read_heads", "whole number"]),
    ("disc.yaml", "read_heads: 1", "read_head: 1", ["did you mean 'read_heads'?"]),
    ("disc.yaml", "name: disc", "name: 5", ["disc.yaml:2:1: name", "text"]),
    ("disc.yaml", "name: disc", "name:", ["name: no value"]),
    ("disc.yaml", "name: disc", "name: ''", ["name", "at least 1 characters"]),
    ("disc.yaml", "name: disc", "name: " + "x" * 300, ["name", "at most 100 characters"]),
    ("disc.yaml", "measures: rotation\n", "", ["measures: missing"]),
    ("disc.yaml", "signal_periods: 512", "signal_periods: 512.5", ["signal_periods", "whole number"]),
    ("disc.yaml", "signal_periods: 512", "signal_periods: -512", ["signal_periods", "from 1 to"]),
    ("disc.yaml", "interpolation: 12 bit", "interpolation: 99 bit", ["out of range"]),
    ("disc.yaml", "interpolation: 12 bit", "interpolation: -2 bit", ["too small"]),
    ("disc.yaml", "track_radius: 13 mm", "track_radius: 0 mm", ["track_radius", "more than 0"]),
    ("disc.yaml", "noise: 0.1 %", "noise: 500 %", ["signal.noise", "at most 30 %"]),
    ("disc.yaml", "noise: 0.1 %", "noise: -1 %", ["signal.noise", "too small"]),
    ("disc.yaml", "offset: 1 %", "offset: 90 %", ["signal.offset", "30 %"]),
    ("disc.yaml", "phase_error: 1 deg", "phase_error: 1 %", ["signal.phase_error", "not an angle"]),
    ("disc.yaml", "corrections: {signal", "corrections: {signals", ["did you mean 'signal'?"]),
    ("disc.yaml", "corrections: {signal: 90 %", "corrections: {signal: -10 %", ["too small"]),
    ("disc.yaml", "graduation_error: 5 arcsec", "graduation_error: 5", ["bare number 5", "arcsec"]),
    ("disc.yaml", "price: 38", "timing: {latency: -10 us}", ["timing.latency", "too small"]),
    ("disc.yaml", "price: 38", "timing: {latency: 10 um}", ["timing.latency", "not a time"]),
    ("disc.yaml", "price: 38", "timing: {jiter: 10 ns}", ["did you mean 'jitter'?"]),
    # --- arm
    ("arm.yaml", "name: j1, type", "type", ["arm.yaml:6:7: kinematics.joints.0.name: missing"]),
    ("arm.yaml", "type: revolute, d: 100 mm", "d: 100 mm", ["kinematics.joints.0.type: missing"]),
    ("arm.yaml", "alpha: 0 deg, range: [-170", "alpha: 0 mm, range: [-170", ["alpha", "not an angle"]),
    ("arm.yaml", "[-170 deg, 170 deg]", "[-170 deg]", ["range", "at least 2 of them"]),
    ("arm.yaml", "[-170 deg, 170 deg]", "[-170 deg, 0 deg, 170 deg]", ["range", "at most 2 of them"]),
    ("arm.yaml", "[-170 deg, 170 deg]", "[170 deg, 170 deg]", ["lower end not below"]),
    ("arm.yaml", "range: [-170 deg, 170 deg]", "range: 170 deg", ["range", "a list"]),
    ("arm.yaml", "range: [0 mm, 120 mm]", "range: [0 deg, 120 deg]", ["range", "not a length"]),
    ("arm.yaml", "theta: 0 deg, a: 0 mm", "d: 0 mm, a: 0 mm", ["kinematics.joints.2.theta: missing", "d: unknown key"]),
    ("arm.yaml", "xyz: [0 mm, 0 mm, 50 mm]", "xyz: [0 mm, 0 mm]", ["kinematics.base.xyz", "too few values"]),
    ("arm.yaml", "  base: {xyz", "  bass: {xyz", ["did you mean 'base'?"]),
    ("arm.yaml", "base: [j1, j2]", "base: j1", ["groups.base", "a list"]),
    ("arm.yaml", "groups: {base: [j1, j2]", "groups: {links: [j1, j2]", ["'links' is taken"]),
    ("arm.yaml", "tolerances: {theta: 10 urad", "tolerances: {theta: 10 um", ["tolerances.theta", "not an angle"]),
    ("arm.yaml", "tolerances: {a: 7 um}", "tolerances: {b: 7 um}", ["tolerances.b: unknown key"]),
    ("arm.yaml", "kinematics:", "kinematic:", ["kinematics: missing", "did you mean 'kinematics'?"]),
    ("arm.yaml", "  joints:\n", "  joints: []\n  more:\n", ["at least 1 of them"]),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "expected"), MORE, ids=[f"{w[0]} {w[2][:40]}" for w in MORE])
def test_wrong_input_is_named(tmp_path: Path, file: str, old: str, new: str, expected: list[str]) -> None:
    assert old in FILES[file]
    path = write(tmp_path, **{file: FILES[file].replace(old, new, 1)})
    messages = faults(path)
    for part in expected:
        assert part in "\n".join(messages)
    for fault in messages:  # every one with its place
        name, line, column = fault.split(": ")[0].rsplit(":", 2)
        assert name in FILES
        assert int(line) > 0
        assert int(column) > 0


def test_the_corpus_is_large() -> None:
    assert len({(case[0], case[1], case[2]) for case in (*WRONG, *MORE)}) >= 200


RAW = [
    # bytes of the scenario, what the message must hold
    (b"", "not a mapping"),
    (b"[]", "not a mapping"),
    (b"just words", "not a mapping"),
    (b"\xff\xfek\x00i\x00", "not UTF-8"),
    (b"kind: scenario\nname: \xe9\n", "scenario.yaml:2:1"),
    (b"kind: scenario\n\x00", "scenario.yaml:2:1: not YAML"),
    (b"kind: scenario\n\tname: x\n", "not YAML"),
    (b"kind: scenario\nname: 'x\n", "not YAML"),
    (b"kind: scenario\nname: *nowhere\n", "undefined alias"),
    (b"kind: scenario\nname: x\nname2\n", "not YAML"),
    (b"kind: scenario\n? [a, b]\n: c\n", "a key that is not a word"),
    (b"kind: scenario\nname: !!binary aGk=\n", "tag"),
    (b"kind: scenario\nname: !!python/object/apply:os.system ['true']\n", "tag"),
    (b"kind: scenario\nname: !env HOME\n", "tag"),
    (b"%YAML 9.9\n---\nkind: scenario\n", "not YAML"),
    (b"kind: scenario\n---\nkind: arm\n", "one document"),
    (b"kind: scenario\n<<: 5\n", "'<<' of what is not a mapping"),
    (b"name: x\n", "kind: missing"),
    (b"kind: [scenario]\n", "kind"),
]


@pytest.mark.parametrize(("raw", "expected"), RAW, ids=[repr(raw[:40]) for raw, _ in RAW])
def test_bytes_that_are_no_document(tmp_path: Path, raw: bytes, expected: str) -> None:
    path = write(tmp_path)
    path.write_bytes(raw)
    assert expected in "\n".join(faults(path))


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    path = write(tmp_path)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    load_scenario(path)


def test_faults_of_all_files_are_told_at_once(tmp_path: Path) -> None:
    """One fault in each of three files, and three more in the scenario: six, each with its file."""
    scenario = SCENARIO.replace("15 um", "15").replace("units: 50", "units: none").replace("ratio: 100", "ratio: 0")
    arm = ARM.replace("alpha: 0 deg, range: [-170", "alpha: 0, range: [-170")
    disc = ENCODER.replace("price: 38", "price: minus")
    messages = faults(write(tmp_path, scenario_yaml=scenario, arm_yaml=arm, disc_yaml=disc))
    assert sorted(fault.split(":")[0] for fault in messages) == ["arm.yaml", "disc.yaml", *["scenario.yaml"] * 3]


def test_a_scenario_and_its_requirement_and_tasks_are_told_at_once(tmp_path: Path) -> None:
    scenario = SCENARIO.replace("30 mm]", "300 mm]").replace("  j1:", "  j9:")
    message = "\n".join(faults(write(tmp_path, scenario_yaml=scenario)))
    for part in ("outside the range of joint j3", "no such joint", "no encoder"):
        assert part in message


def test_references_that_links_lead_elsewhere_are_noted(tmp_path: Path) -> None:
    inside, outside = tmp_path / "project", tmp_path / "elsewhere"
    inside.mkdir()
    outside.mkdir()
    path = write(inside)
    assert load_scenario(path).notes == ()
    (inside / "disc.yaml").rename(outside / "disc.yaml")
    (inside / "disc.yaml").symlink_to(outside / "disc.yaml")
    (note,) = load_scenario(path).notes
    assert "disc.yaml is a link" in note
    assert "elsewhere" in note
    (inside / "sub").symlink_to(outside)
    path.write_text(SCENARIO.replace("encoder: disc.yaml", "encoder: sub/disc.yaml"))
    assert len(load_scenario(path).notes) == 1


URDF = """<robot name="r"><link name="a"/><link name="b"/><link name="c"/>
<joint name="j1" type="revolute"><parent link="a"/><child link="b"/><axis xyz="0 0 1"/><limit lower="-1" upper="1"/></joint>
<joint name="j2" type="revolute"><parent link="b"/><child link="c"/><axis xyz="0 0 1"/><limit lower="-1" upper="1"/></joint>
</robot>"""
WRONG_URDF = [
    ("<robot", "<!DOCTYPE robot [<!ENTITY x SYSTEM 'file:///etc/passwd'>]><robot", "refused"),
    ("<robot", "<!DOCTYPE robot SYSTEM 'http://example.invalid/x.dtd'><robot", "refused"),
    ("<robot", '<!DOCTYPE r [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]><robot', "refused"),
    ("</robot>", "", "not XML"),
    ('<robot name="r">', '<sdf name="r">', "not XML"),
    ('<child link="c"/>', '<child link="b"/>', "two parents"),
    ('<parent link="a"/>', '<parent link="c"/>', "is not above"),
    ('<axis xyz="0 0 1"/><limit lower="-1" upper="1"/></joint>\n</robot>', '<axis xyz="0 0 0"/><limit lower="-1" upper="1"/></joint>\n</robot>', "axis"),
    ('<axis xyz="0 0 1"/><limit lower="-1" upper="1"/></joint>\n</robot>', '<axis xyz="0 0 one"/><limit lower="-1" upper="1"/></joint>\n</robot>', "three numbers of at most"),
    ('type="revolute"><parent link="b"/>', 'type="floating"><parent link="b"/>', "floating"),
    ('<link name="c"/>', "", "no link 'c'"),
    ('lower="-1" upper="1"/></joint>\n</robot>', 'lower="1" upper="-1"/></joint>\n</robot>', "j2"),
    ('lower="-1" upper="1"/></joint>\n</robot>', 'lower="nan" upper="1"/></joint>\n</robot>', "j2"),
    ('lower="-1" upper="1"/></joint>\n</robot>', 'lower="-1_0" upper="1"/></joint>\n</robot>', "'j2': lower='-1_0'"),
    ('<axis xyz="0 0 1"/><limit lower="-1" upper="1"/></joint>\n</robot>', '<axis xyz="0 0 1_0"/><limit lower="-1" upper="1"/></joint>\n</robot>', "three numbers of at most"),
    ('<link name="c"/>', '<link name="c"><inertial><mass value="1_0"/></inertial></link>', "mass='1_0'"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "expected"), WRONG_URDF, ids=[w[2] + w[1][:20] for w in WRONG_URDF])
def test_wrong_urdf_is_named(tmp_path: Path, old: str, new: str, expected: str) -> None:
    assert old in URDF
    (tmp_path / "r.urdf").write_text(URDF)
    (tmp_path / "arm.yaml").write_text(
        "kind: arm\nname: u\nkinematics: {convention: urdf, file: r.urdf, base_link: a, tip_link: c}\n"
    )
    check_file(tmp_path / "arm.yaml")
    (tmp_path / "r.urdf").write_text(URDF.replace(old, new, 1))
    (message,) = faults(tmp_path / "arm.yaml")
    assert expected in message
    assert re.match(r"(r\.urdf|arm\.yaml):\d+:\d+:", message)
    if "'j2'" in message:
        assert message.startswith("r.urdf:3:1:")  # where the joint stands


def test_a_chain_beyond_all_proportion_is_refused(tmp_path: Path) -> None:
    """A thousand joints, as rows and as URDF, with one message."""
    rows = "\n".join(
        f"    - {{name: j{n}, type: revolute, d: 0 mm, a: 1 mm, alpha: 0 deg, range: [0 deg, 1 deg]}}"
        for n in range(1000)
    )
    (tmp_path / "arm.yaml").write_text(
        f"kind: arm\nname: long\nkinematics:\n  convention: standard-dh\n  joints:\n{rows}\n"
    )
    (fault,) = faults(tmp_path / "arm.yaml")
    assert "at most 64" in fault
    links = "".join(f'<link name="l{n}"/>' for n in range(1001))
    joints = "".join(
        f'<joint name="j{n}" type="continuous"><parent link="l{n}"/><child link="l{n + 1}"/></joint>'
        for n in range(1000)
    )
    (tmp_path / "r.urdf").write_text(f'<robot name="r">{links}{joints}</robot>')
    (tmp_path / "arm.yaml").write_text(
        "kind: arm\nname: u\nkinematics: {convention: urdf, file: r.urdf, base_link: l0, tip_link: l1000}\n"
    )
    assert "64" in "\n".join(faults(tmp_path / "arm.yaml"))


@pytest.mark.parametrize(
    "text",
    [
        "kind: arm\nname: " + "x" * 3_000_000,
        "kind: arm\nx: [" + "1, " * 400_000 + "1]",
        "kind: arm\n" + "".join(f"k{n}: 1\n" for n in range(300_000)),
        "kind: arm\nx: " + "{a: " * 5000 + "1" + "}" * 5000,
        "kind: arm\nx: &a [*b]\ny: &b [*a]\n",
        "kind: arm\nx: " + "9" * 1_000_000,
        "kind: arm\nbase: &b {a: 1}\nx:\n" + "  <<: *b\n" * 20000,
    ],
    ids=["scalar", "list", "keys", "nesting", "cycle", "digits", "merges"],
)
def test_hostile_files_stay_bounded(tmp_path: Path, text: str) -> None:
    """Refused or found wrong, within a gibibyte of memory more than before; the time is held in test_hostile.py."""
    import resource

    path = tmp_path / "arm.yaml"
    path.write_text(text)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert faults(path)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 2**20  # KiB


def test_a_special_file_is_no_document(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.yaml")
    path = write(tmp_path, scenario_yaml=SCENARIO.replace("disc.yaml", "pipe.yaml"))
    assert "not a regular file" in "\n".join(faults(path))
    assert "not a regular file" in "\n".join(faults(tmp_path / "pipe.yaml"))


def test_all_faults_of_a_catalogue_are_told_at_once(tmp_path: Path) -> None:
    scenario = write(tmp_path)
    (tmp_path / "catalogue.yaml").write_text(
        "kind: catalogue\nname: c\nplacements: {motor: 0}\nmountings:\n  - {name: m, price: 1}\n  - {name: m, price: 2}\nencoders:\n"
        "  - {encoder: nowhere.yaml}\n  - {encoder: disc.yaml}\n  - {encoder: disc.yaml}\n"
        "limits: {joints: {j9: {placements: [motor]}}}\n"
    )
    with pytest.raises(Exception, match="nowhere") as caught:
        load_options(scenario, tmp_path / "catalogue.yaml")
    text = str(caught.value)
    for part in ("file not found", "two encoders named 'disc'", "two mountings named 'm'", "no such joint"):
        assert part in text


TIES: list[tuple[str, list[str]]] = [
    ("same_encoder: [[j1, j9]]", ["limits.same_encoder", "no joint 'j9'"]),
    ("same_encoder: [[j1]]", ["limits.same_encoder"]),
    ("same_family: [[j1, j9]]", ["limits.same_family", "no joint 'j9'"]),
    ("groups: {elbow: {types: 1}}", ["limits.groups.elbow", "no such group", "base, wrist"]),
    ("groups: {base: {types: 0}}", ["limits.groups.base.types", "from 1"]),
    ("incompatible: [[disc 13 128, disc 99]]", ["limits.incompatible", "no encoder named 'disc 99'"]),
    ("incompatible: [{j1: disc 13 128, j9: disc 13 128}]", ["limits.incompatible", "no joint 'j9'"]),
    ("incompatible: [[disc 13 128]]", ["limits.incompatible"]),
    ("incompatible: [{j1: disc 13 128, j2: disc 20 128, j3: disc 20 128}]", ["limits.incompatible"]),
]


@pytest.mark.parametrize(("limits", "expected"), TIES, ids=[limits for limits, _ in TIES])
def test_limits_that_tie_joints_name_what_is_there(tmp_path: Path, limits: str, expected: list[str]) -> None:
    shop = (ROOT / "configs" / "catalogues" / "discs.yaml").read_text()
    path = tmp_path / "shop.yaml"
    path.write_text(shop[: shop.rindex("limits:")] + f"limits: {{{limits}}}\n")
    with pytest.raises(InputError) as caught:
        load_options(ROOT / "scenarios" / "bonding-cell.yaml", path)
    text = "\n".join(str(problem) for problem in caught.value.problems)
    for part in (str(path), *expected):
        assert part in text
