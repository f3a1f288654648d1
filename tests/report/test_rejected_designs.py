"""Figures of designs that miss the requirement, by little or by far, in one table."""

from armsim.report.decision_review import with_digits_by_unit
from armsim.requirement import Judgement


def judgement(micrometres: float, spread: float) -> Judgement:
    value, half = 1e-6 * micrometres, 1e-6 * spread
    ends = value - half, value + half
    return Judgement.from_interval("position", "95 % of errors", "{}", value, ends, 52e-6, 300)


def test_a_near_miss_stays_in_the_unit_of_its_limit() -> None:
    """A design that misses by 60 times shares no unit with one that misses by 8 um. Source: the sizes themselves."""
    rows = with_digits_by_unit([judgement(60.2, 3.0), judgement(1204.0, 40.0), judgement(73.4, 2.0)])
    assert [row.value_text for row in rows] == ["60.2 µm", "1.20 mm", "73.4 µm"]
    assert rows[0].excess == "8.2 µm (5.2 to 11.2)"
    assert rows[2].excess == "21.4 µm (19.4 to 23.4)"
