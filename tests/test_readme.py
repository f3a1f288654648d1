"""What README says that the code says too is made from the code."""

import pytest
from support import ROOT, invoke

from armsim.model.effects import effects
from armsim.report.reference import effects_table, explained, words

README = (ROOT / "README.md").read_text()


def test_the_table_of_effects_comes_from_the_declarations() -> None:
    table = README.split("<!-- effects -->\n")[1].split("\n<!-- end of effects -->")[0]
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
