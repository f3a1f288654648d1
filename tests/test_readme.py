"""What README says that the code says too is made from the code."""

import re
from pathlib import Path

import pytest
from support import ROOT, invoke

from armsim.model.effects import effects
from armsim.report.reference import effects_table, explained, words

README = (ROOT / "README.md").read_text()
REFERENCE = (ROOT / "DEVELOPERS.md").read_text()


def test_the_table_of_effects_comes_from_the_declarations() -> None:
    table = REFERENCE.split("<!-- effects -->\n")[1].split("\n<!-- end of effects -->")[0]
    assert table == effects_table()


def test_every_cause_has_physics_with_a_source() -> None:
    """A source is more than a word of the trade."""
    for effect in effects():
        assert len(effect.key.source) > 15, effect
        assert effect.key.source not in ("definition", "kinematics", "geometry", "statics")
        assert effect.key.life in ("unit", "visit")


@pytest.mark.parametrize("word", words())
def test_everything_listed_is_explained(word: str) -> None:
    assert all(len(text) > 30 for text in explained(word))


def test_explain_prints_equation_and_source() -> None:
    done = invoke("explain", "eccentricity")
    assert done.returncode == 0
    assert "(e/R) sin t" in done.stdout
    assert "law of sines" in done.stdout
    unknown = invoke("explain", "exentricity")
    assert unknown.returncode == 2
    assert "did you mean eccentricity" in unknown.stderr


def test_readme_is_short_and_shows_a_picture() -> None:
    assert len(README.splitlines()) < 250
    picture = re.search(r"!\[[^]]+\]\(([^)]+\.png)\)", README)
    assert picture is not None
    assert (ROOT / picture[1]).read_bytes()[:4] == b"\x89PNG"


def test_every_link_leads_somewhere() -> None:
    for text in (README, REFERENCE):
        for place in re.findall(r"\]\((?!https?:)([^)#:]+)", text):
            assert (ROOT / place).exists(), place


def test_the_numbers_of_the_decision_are_what_the_command_prints(tmp_path: Path) -> None:
    """Every number in the table of README stands in the output of its command."""
    command = next(line for line in README.splitlines() if line.startswith("armsim compare"))
    done = invoke(*command.split()[1:], "--out", tmp_path / "out", cwd=ROOT)
    assert done.returncode == 0, done.stderr
    told = README.split("at the worst pose of the side view")[1].split("`armsim select`")[0]
    quoted = re.findall(r"[-+]?\d+(?:\.\d+)? (?:µm|nm|%|points)|\([^)|]*to[^)|]*\)", told)
    assert len(quoted) > 10
    for text in quoted:
        assert text.strip() in done.stdout, text
    for price in ("72", "456", "231"):
        assert price in told
        assert price in done.stdout
