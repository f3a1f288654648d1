"""Documents made to make work, and files that are none: one clear fault in little time.

A hostile file is held against a benign one of its size, read beside it in the same process: no clock is absolute.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from relative_cost import Reference
from test_documents import FILES, write

from armsim.documents import check_file
from armsim.documents.files import LARGEST_FILE
from armsim.documents.load import load_options
from armsim.errors import InputError

FACTOR = 4.0
"""Times the work of a benign file of the same size: the project's own limit. The worst of them takes 1.7 times it."""
SCENARIO = FILES["scenario.yaml"]
POSE = "  - {{name: {0}, joints: [10 deg, 20 deg, 30 mm]}}\n"


def filled(line: Callable[[int], str], size: int = LARGEST_FILE - 5000) -> str:
    """Lines until there is nearly a MiB of them."""
    out, length, number = [], 0, 0
    while length < size:
        out.append(line(number))
        length += len(out[-1])
        number += 1
    return "".join(out)


def with_tasks(text: str) -> str:
    return SCENARIO[: SCENARIO.index("tasks:")] + "tasks:\n" + text


def merge_bomb() -> str:
    lines = ["kind: scenario", "a0: &a0 {" + ", ".join(f"k{i}: 1" for i in range(20)) + "}"]
    lines += [f"a{n}: &a{n} {{<<: [{', '.join([f'*a{n - 1}'] * 10)}], own{n}: 1}}" for n in range(1, 12)]
    return "\n".join(lines)


BENIGN = with_tasks(
    "- kind: poses\n  name: p\n  poses:\n" + "".join(POSE.format(f"{'pose':_<48}{n:05d}") for n in range(10_000))
)
"""As many poses as a task may have, with long names."""
WAYPOINTS = "x [mm],y [mm],z [mm]\n" + filled(lambda n: f"{n % 7},{n % 5},{n % 3}\n")
PATH = with_tasks("- {kind: path, name: p, step: 1 m, speed: 1 mm/s, file: p.csv}\n")


def checked(folder: Path, text: str, table: str = "") -> Callable[[], None]:
    """The work of checking a scenario, with a table that it may name."""

    def work() -> None:
        (folder / "scenario.yaml").write_text(text)
        (folder / "p.csv").write_text(table)
        with contextlib.suppress(InputError):
            check_file(folder / "scenario.yaml")

    write(folder)
    return work


@pytest.fixture(scope="module")
def benign(tmp_path_factory: pytest.TempPathFactory) -> Reference:
    return Reference(checked(tmp_path_factory.mktemp("document"), BENIGN))


@pytest.fixture(scope="module")
def benign_table(tmp_path_factory: pytest.TempPathFactory) -> Reference:
    return Reference(checked(tmp_path_factory.mktemp("table"), PATH, WAYPOINTS))


@pytest.mark.parametrize(("text", "table"), [(BENIGN, ""), (PATH, WAYPOINTS)])
def test_the_benign_files_are_good_and_large(text: str, table: str, tmp_path: Path) -> None:
    checked(tmp_path, text, table)()
    check_file(tmp_path / "scenario.yaml")
    assert LARGEST_FILE - 100_000 < len((table or text).encode()) <= LARGEST_FILE


DOCUMENTS: dict[str, Callable[[], str]] = {
    "merge bomb": merge_bomb,
    "a list of merges": lambda: "kind: scenario\na: &a {x: 1}\nb: {<<: [" + "*a, " * 250_000 + "]}\n",
    "merges in a row": lambda: (
        "kind: scenario\na0: &a0 {x: 1}\n" + filled(lambda n: f"a{n + 1}: &a{n + 1} {{<<: *a{n}, k{n}: 1}}\n")
    ),
    "a large mapping merged often": lambda: (
        "kind: scenario\na: &a {" + ", ".join(f"k{i}: 1" for i in range(40_000)) + "}\nb:\n" + "  - {<<: *a}\n" * 900
    ),
    "a merge of itself": lambda: "kind: scenario\na: &a {<<: *a}\n",
    "an alias within itself": lambda: "kind: scenario\na: &a [*a]\n",
    "tasks": lambda: with_tasks(filled(lambda n: f"- {{kind: cloud, name: c{n}, points: 1}}\n")),
    "tasks of one name": lambda: with_tasks("- {kind: cloud, name: c, points: 1}\n" * 900),
    "poses": lambda: with_tasks("- kind: poses\n  name: p\n  poses:\n" + filled(lambda n: POSE.format(f"p{n}"))),
    "ten thousand poses": lambda: with_tasks(
        "- kind: poses\n  name: p\n  poses:\n" + "".join(POSE.format(f"p{n}") for n in range(10_000))
    ),
    "unknown keys deep down": lambda: SCENARIO.replace(
        "mastering: 10 arcsec", "mastering: 10 arcsec\n" + filled(lambda n: f"    masterng{n}: 1\n")
    ),
    "unknown joints": lambda: SCENARIO.replace(
        "joints:\n", "joints:\n" + filled(lambda n: f"  k{n}: {{encoder: disc.yaml, placement: motor}}\n")
    ),
    "digits": lambda: SCENARIO.replace("10 arcsec", "1" * (LARGEST_FILE - 5000) + " arcsec"),
    "digits without a unit": lambda: SCENARIO.replace("10 arcsec", "1" * (LARGEST_FILE - 5000)),
    "digits of a count": lambda: SCENARIO.replace("units: 50", "units: " + "1" * (LARGEST_FILE - 5000)),
    "spaces in a quantity": lambda: SCENARIO.replace("10 arcsec", '"1' + " " * (LARGEST_FILE - 5000) + 'x y"'),
    "a long name": lambda: SCENARIO.replace("name: cell\n", "name: " + "n" * (LARGEST_FILE - 5000) + "\n"),
    "a long key": lambda: SCENARIO + "k" * (LARGEST_FILE - 5000) + ": 1\n",
    "brackets": lambda: SCENARIO + "x: " + "[" * 500_000,
    "quotes": lambda: SCENARIO + "x: " + '"' * 500_000,
    "comments": lambda: SCENARIO + "#\n" * 500_000,
    "keys": lambda: "kind: scenario\n" + filled(lambda n: f"k{n}: 1\n"),
    "empty keys": lambda: "kind: scenario\n" + "? \n" * 300_000,
    "nulls": lambda: SCENARIO + "x: [" + "~," * 500_000 + "]\n",
    "distances": lambda: with_tasks(
        "- kind: poses\n  name: p\n  poses:\n"
        + POSE.format("a")
        + POSE.format("b")
        + "  distances:\n"
        + filled(lambda n: "  - [a, b]\n")
    ),
    "way points": lambda: with_tasks(
        "- {kind: path, name: p, step: 1 mm, speed: 1 mm/s, waypoints: ["
        + filled(lambda n: f"{{to: [{n} mm, 0 mm, 0 mm]}}, ")
        + "]}\n"
    ),
    "a fine slice out of reach": lambda: with_tasks(
        "- {kind: slice, name: s, plane: xz, at: 900 m, step: 10 mm, x: [800 m, 802 m], z: [800 m, 802 m]}\n"
    ),
}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_document_of_a_mib_is_answered_soon(name: str, tmp_path: Path, benign: Reference) -> None:
    text = DOCUMENTS[name]()
    assert len(text.encode()) <= LARGEST_FILE + 8
    assert benign.ratio(checked(tmp_path, text), FACTOR) <= FACTOR


CSV: dict[str, Callable[[], str]] = {
    "empty rows": lambda: "x [mm],y [mm],z [mm]\n" + "\n" * (LARGEST_FILE - 100),
    "rows of commas": lambda: "x [mm],y [mm],z [mm]\n" + ",,\n" * 300_000,
    "digits": lambda: "x [mm],y [mm],z [mm]\n0,0,0\n" + "1" * 1_000_000 + ",0,0\n",
    "digits and a letter": lambda: "x [mm],y [mm],z [mm]\n0,0,0\n" + "1" * 1_000_000 + "x,0,0\n",
    "a header of brackets": lambda: "x [" * 300_000,
    "a header of columns": lambda: "x [mm]," * 100_000,
    "faulty rows": lambda: "x [mm],y [mm],z [mm]\n" + "a,b,c\n" * 170_000,
    "quotes": lambda: '"' * 1_000_000,
}


@pytest.mark.parametrize("name", CSV)
def test_every_table_of_a_mib_is_answered_soon(name: str, tmp_path: Path, benign_table: Reference) -> None:
    assert benign_table.ratio(checked(tmp_path, PATH, CSV[name]()), FACTOR) <= FACTOR


@pytest.mark.parametrize("place", ["scenario.yaml", "arm.yaml", "disc.yaml", "p.csv"])
def test_larger_files_are_refused_at_once(place: str, tmp_path: Path) -> None:
    write(tmp_path)
    (tmp_path / "scenario.yaml").write_text(
        with_tasks("- {kind: path, name: p, step: 1 m, speed: 1 mm/s, file: p.csv}\n")
    )
    (tmp_path / "p.csv").write_text("x [mm],y [mm],z [mm]\n0,0,0\n1,0,0\n")
    with (tmp_path / place).open("ab") as file:
        file.truncate(LARGEST_FILE + 1)
    with pytest.raises(
        InputError, match=f"{LARGEST_FILE + 1} bytes are too many.*; accepted: a file of at most {LARGEST_FILE} bytes"
    ):
        check_file(tmp_path / "scenario.yaml")


URDF_ARM = "kind: arm\nname: a\nkinematics: {convention: urdf, file: FILE, base_link: a, tip_link: b}\n"
URDF = '<robot name="r"><link name="a"/><link name="b"/><joint name="j" type="revolute"><parent link="a"/><child link="b"/>{}<axis xyz="0 0 1"/><limit lower="-1" upper="1"/></joint></robot>'


def one_fault(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        check_file(path)
    return str(caught.value)


@pytest.mark.parametrize(
    ("reference", "message"),
    [
        ("/dev/zero", "not a regular file"),
        ("/dev/kmsg", "not a regular file"),
        ("pipe", "not a regular file"),
        (".", "not a regular file"),
        ("loop", "symbolic links"),
        ("n" * 5000, "cannot be read: File name too long"),
        ("nothing", "file not found"),
        ('"a\\0b"', "text with the character U+0000"),
        ('"a\\eb"', "text with the character U+001B"),
    ],
)
@pytest.mark.parametrize("of", ["arm", "urdf", "encoder", "way points"])
def test_only_regular_files_are_read(of: str, reference: str, message: str, tmp_path: Path) -> None:
    """Whatever else stands there is one fault of the line that names it."""
    write(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to("loop")
    path = tmp_path / "scenario.yaml"
    if of == "arm":
        path.write_text(SCENARIO.replace("arm: arm.yaml", f"arm: {reference}"))
    elif of == "encoder":
        path.write_text(SCENARIO.replace("encoder: disc.yaml", f"encoder: {reference}", 1))
    elif of == "urdf":
        path = tmp_path / "urdf.yaml"
        path.write_text(URDF_ARM.replace("FILE", reference))
    else:
        path.write_text(with_tasks(f"- {{kind: path, name: p, step: 1 m, speed: 1 mm/s, file: {reference}}}\n"))
    actual = one_fault(path)
    if of in ("urdf", "way points") and len(reference) > 4096:
        message = "at most 4096 characters"
    assert message in actual
    assert actual.startswith(f"{path}:")
    assert "\n" not in actual


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (URDF.format('<origin xyz="1e20 0 0"/>'), "at most 10000 in SI units"),
        (URDF.format('<origin xyz="0 1e200 0"/>'), "at most 10000 in SI units"),
        (URDF.format('<origin rpy="nan 0 0"/>'), "at most 10000 in SI units"),
        (URDF.format("").replace('"0 0 1"', '"0 0 1e-200"'), "axis"),
        (URDF.format("").replace('upper="1"', 'upper="1e300"'), "at most 10000 in SI units"),
        (URDF.format("").replace('name="j"', f'name="{"j" * 101}"'), "at most 100 characters"),
        (URDF.format("").replace('name="j"', 'name="j\N{RIGHT-TO-LEFT OVERRIDE}"'), "that can be shown"),
        ('<?xml version="1.0" encoding="utf-7"?>' + URDF.format(""), "XML in UTF-8"),
        ('<?xml version="1.0" encoding="no-such"?>' + URDF.format(""), "unknown encoding"),
        ("<robot>" + "<a>" * 200_000, "not XML"),
    ],
)
def test_urdf_that_is_none(text: str, message: str, tmp_path: Path, benign: Reference) -> None:
    path = tmp_path / "arm.yaml"
    path.write_text(URDF_ARM.replace("FILE", "arm.urdf"))
    (tmp_path / "arm.urdf").write_text(text, encoding="utf-8")
    faults: list[str] = []
    assert benign.ratio(lambda: faults.append(one_fault(path)), FACTOR) <= FACTOR
    assert message in faults[0]


def test_a_chain_of_a_mib(tmp_path: Path, benign: Reference) -> None:
    """As many joints as a URDF file has room for."""
    joint = '<link name="{0}"/><joint name="j{0}" type="revolute"><parent link="{0}"/><child link="{1}"/></joint>'
    text = '<robot name="r">' + filled(lambda n: joint.format(n, n + 1), LARGEST_FILE - 9000)
    last = text.count("<link")
    (tmp_path / "arm.urdf").write_text(f'{text}<link name="{last}"/></robot>')
    path = tmp_path / "arm.yaml"
    path.write_text(
        f"kind: arm\nname: a\nkinematics: {{convention: urdf, file: arm.urdf, base_link: '0', tip_link: '{last}'}}\n"
    )
    faults: list[str] = []
    assert benign.ratio(lambda: faults.append(one_fault(path)), FACTOR) <= FACTOR
    assert "at most 64" in faults[0]


@pytest.mark.parametrize(
    "character",
    ["\\x00", "\\x07", "\\e", "\\x7F", "\\x9B", "\\uFFFE", "\\uFFFF", "\\u202E", "\\u202A", "\\u2066", "\\u2069"],
)
@pytest.mark.parametrize("at", ["name", "key", "pose"])
def test_characters_that_cannot_be_shown_are_refused(at: str, character: str, tmp_path: Path) -> None:
    write(tmp_path)
    text = {
        "name": SCENARIO.replace("name: cell\n", f'name: "a{character}b"\n'),
        "key": SCENARIO + f'"a{character}b": 1\n',
        "pose": SCENARIO.replace("{name: near,", f'{{name: "a{character}b",'),
    }[at]
    assert text != SCENARIO
    (tmp_path / "scenario.yaml").write_text(text)
    actual = one_fault(tmp_path / "scenario.yaml")
    assert "text with the character U+" in actual
    assert "\n" not in actual


def test_a_name_in_several_lines_is_one_line(tmp_path: Path) -> None:
    write(tmp_path)
    (tmp_path / "scenario.yaml").write_text(SCENARIO.replace("name: cell\n", "name: >\n  a demo\n  of\ttwo lines\n"))
    assert check_file(tmp_path / "scenario.yaml").name == "a demo of two lines"
    (tmp_path / "scenario.yaml").write_text(SCENARIO + '"a\\nerror: forged": 1\n')
    assert "\n" not in one_fault(tmp_path / "scenario.yaml")


@pytest.mark.parametrize(("length", "good"), [(100, True), (101, False)])
def test_the_longest_name(length: int, good: bool, tmp_path: Path) -> None:
    write(tmp_path)
    (tmp_path / "scenario.yaml").write_text(SCENARIO.replace("name: cell\n", f"name: {'n' * length}\n"))
    if good:
        check_file(tmp_path / "scenario.yaml")
    else:
        assert "at most 100 characters" in one_fault(tmp_path / "scenario.yaml")


@pytest.mark.parametrize("quantity", ["1 %*m", "1 ppm*m", "١٢ arcsec", "１ arcsec", "1 one*m", "1 pi*m"])
def test_quantities_that_are_none(quantity: str, tmp_path: Path) -> None:
    write(tmp_path)
    (tmp_path / "scenario.yaml").write_text(SCENARIO.replace("10 arcsec", f'"{quantity}"'))
    assert "is not a" in one_fault(tmp_path / "scenario.yaml")


def test_ratios_beyond_all_proportion(tmp_path: Path) -> None:
    """A tiny ratio of a gear made an overflow."""
    write(tmp_path)
    for ratio in ("1e-300", "1.0e-300", "-1e-12"):
        (tmp_path / "scenario.yaml").write_text(SCENARIO.replace("ratio: 100", f"ratio: {ratio}"))
        assert "transmission.ratio" in one_fault(tmp_path / "scenario.yaml")


def test_a_catalogue_without_placements(tmp_path: Path) -> None:
    write(tmp_path)
    text = "kind: catalogue\nname: c\nencoders: [{encoder: disc.yaml}]\nmountings: [{name: m}]\nplacements:\n"
    for tail in ("", "  {}\n"):
        (tmp_path / "catalogue.yaml").write_text(text.rstrip("\n") + " " + tail.strip() + "\n")
        with pytest.raises(InputError, match="placements"):
            load_options(tmp_path / "scenario.yaml", tmp_path / "catalogue.yaml")
