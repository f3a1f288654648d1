"""What README says that the code says too is made from the code."""

import re
import subprocess
import sys

import pytest
from support import ROOT, invoke

from armsim.model.effects import effects
from armsim.report.reference import effects_table, explanation, index, words

README = (ROOT / "README.md").read_text()
MANUAL = ROOT / "armsim" / "manual"


def test_the_table_of_effects_comes_from_the_declarations() -> None:
    table = (MANUAL / "effects.md").read_text().split("<!-- effects -->\n")[1].split("\n<!-- end of effects -->")[0]
    assert table == effects_table()


def test_every_cause_has_physics_with_a_source() -> None:
    """A source is more than a word of the trade."""
    for effect in effects():
        assert len(effect.key.source) > 15, effect
        assert effect.key.source not in ("definition", "kinematics", "geometry", "statics")
        assert effect.cause.life in ("unit", "visit")


def test_everything_listed_is_explained() -> None:
    assert not [word for word in words() if not all(len(text) > 30 for text in explanation(word))]


def test_what_the_tests_try_is_told_as_it_is() -> None:
    """In a process of its own: modules of tests are imported there under their bare names."""
    process = subprocess.run([sys.executable, ROOT / "tests" / "counts.py"], capture_output=True, text=True, check=True)
    documented = " ".join((MANUAL / "trust.md").read_text().split())
    assert [word for word in process.stdout.strip().split("; ") if word not in documented] == []


def test_the_table_of_validation_is_what_its_script_prints() -> None:
    """Rows and published numbers to the digits shown; a difference by its bound, since its last digits are rounding."""
    from manual_tables import PRINTED, between
    from validation import END, START, cells, validation_rows

    page = between(START, END)
    assert re.search(rf"^{PRINTED}:$", page, re.MULTILINE)
    rows = validation_rows()
    lines = [line for line in page.splitlines() if line.startswith("| ")][2:]
    assert [line.split(" | ")[:2] for line in lines] == [[f"| {row[0]}", row[1]] for row in rows]
    for line, row in zip(lines, rows, strict=True):
        if row[4]:
            assert line == cells(row)
        else:
            assert max(row[3], float(line.split(" | ")[2].split()[0])) < 1e-12


def test_every_key_of_a_document_is_explained() -> None:
    """Those that state nothing of the model too: README promises every key."""
    for word in ("calibration.instrument.std", "calibration.identify.output_orders", "calibration.poses.file",
                 "error_curve.replaces", "tasks.hold", "groups", "base", "changes"):  # fmt: skip
        process = invoke("explain", word)
        assert process.returncode == 0, word
        assert word in process.stdout
        assert len(process.stdout) > 40


COMMON = {"help", "units", "visits", "seed", "workers", "memory", "device", "set", "out", "json"}


@pytest.mark.parametrize("name", ["check", "run", "compare", "what-if", "allocate", "sensitivity", "select",
                                  "trade-off", "curve", "verify", "calibrate", "explore"])  # fmt: skip
def test_the_table_of_commands_names_every_option(name: str) -> None:
    rows = [line for line in README.splitlines() if line.startswith(f"| `armsim {name} ")]
    options = set(re.findall(r"--([a-z][a-z-]+)", invoke(name, "--help").stdout))
    named = {word for line in rows for word in re.findall(r"--([a-z][a-z-]+)", line)}
    assert rows
    assert options - COMMON <= named
    assert named <= options


def test_explain_prints_equation_and_source() -> None:
    process = invoke("explain", "eccentricity")
    assert process.returncode == 0
    assert "(e/R) sin t" in process.stdout
    assert "law of sines" in process.stdout
    unknown = invoke("explain", "exentricity")
    assert unknown.returncode == 2
    assert "did you mean eccentricity" in unknown.stderr


def test_the_index_gives_every_entry_a_meaning() -> None:
    lines = invoke("explain").stdout.splitlines()
    entries = [line.split(maxsplit=1) for line in lines if line.startswith("  ")]
    assert len(entries) > 80
    assert all(re.fullmatch(r"  \S.{1,30}?  +\w.{7,}", line) for line in lines if line.startswith("  "))
    assert len(lines) < 120
    assert max(map(len, lines)) < 120


def test_every_key_of_a_group_has_a_meaning() -> None:
    for group in index():
        meanings = group.words.values()
        assert all(len(meaning) > 5 for meaning in meanings), f"{group.document} {group.parent}"
        assert not any(meaning.startswith("a number") for meaning in meanings), f"{group.document} {group.parent}"


def test_explain_of_a_part_lists_its_keys() -> None:
    text = invoke("explain", "mounting").stdout
    assert "keys of mounting, of the joint" in text
    assert re.search(r"^  disc_tilt +angle between the axis of the disc and the shaft$", text, re.MULTILINE)
    assert text.count("disc_tilt") == 1
    assert re.search(r"^  mastering +zero error that remains", invoke("explain", "causes").stdout, re.MULTILINE)


def test_readme_is_short_and_shows_pictures() -> None:
    assert len(README.splitlines()) < 200
    pictures = re.findall(r"!\[[^]]+\]\(([^)]+\.png)\)", README)
    assert len(pictures) == 2
    for picture in pictures:
        assert (ROOT / picture).read_bytes()[:4] == b"\x89PNG"


def test_every_link_leads_somewhere() -> None:
    """Of README, of the contributors' guide and of every page of the manual, which its index lists."""
    pages = [*MANUAL.glob("*.md")]
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *pages):
        for place in re.findall(r"\]\((?!https?:)([^)#:]+)", page.read_text()):
            assert (page.parent / place).exists(), (page, place)
    index = (MANUAL / "index.md").read_text()
    assert [page.name for page in pages if page.name != "index.md" and f"({page.name})" not in index] == []


def test_the_guide_is_short() -> None:
    assert len((ROOT / "DEVELOPERS.md").read_text().splitlines()) <= 310


def test_the_numbers_of_the_decision_are_what_the_command_prints() -> None:
    """Every number in the table of README stands in the output of its command."""
    command = next(line for line in README.splitlines() if line.startswith("armsim compare"))
    process = invoke(*command.split()[1:], cwd=ROOT)
    assert process.returncode == 0, process.stderr
    documented = README.split("at the worst pose of the side view")[1].split("`armsim select`")[0]
    quoted = re.findall(r"[-+]?\d+\.\d+(?: \([^)|]*to[^)|]*\))?|\d+ nm|\[(?:µm|percentage points|%)\]", documented)
    assert len(quoted) > 10
    for text in quoted:
        assert text.strip() in process.stdout, text
    for price in ("72", "456", "231"):
        assert price in documented
        assert price in process.stdout
