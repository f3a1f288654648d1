"""The three states of a criterion, and the sentences and digits that tell them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from armsim.formatting import decimals_of, format_change, show_interval
from armsim.requirement import Judgement, State, overall_verdict, reasons, share_digits, state_of
from armsim.requirement.state import units_to_resolve

UM = 1e-6


def judged(
    value: float, low: float, high: float, limit: float | None, at_least: bool = False, quantity: str = "length"
) -> Judgement:
    return Judgement.from_interval(
        "position", "95 % of errors", "95 % of errors lie within {}", value, (low, high), limit, 1000, "far",
        quantity, at_least,
    )  # type: ignore[arg-type]  # fmt: skip


@pytest.mark.parametrize(
    ("low", "high", "limit", "at_least", "state"),
    [
        (110, 118, 120, False, "met"),
        (110, 120, 120, False, "met"),
        (112, 128, 120, False, "not resolved"),
        (112, math.inf, 120, False, "not resolved"),
        (121, 128, 120, False, "not met"),
        (121, math.inf, 120, False, "not met"),
        (0.81, 0.84, 0.80, True, "met"),
        (0.79, 0.84, 0.80, True, "not resolved"),
        (0.75, 0.79, 0.80, True, "not met"),
    ],
)
def test_the_state_is_that_of_guarded_acceptance(
    low: float, high: float, limit: float, at_least: bool, state: State
) -> None:
    """Source: JCGM 106:2012, 8.3.3 (from memory): accept where the whole interval keeps the limit."""
    assert state_of(low, high, limit, at_least) == state


def test_a_state_is_wrong_as_rarely_as_its_interval() -> None:
    """A figure on the very limit is called met, or not met, in 2.5 % of samples each.

    Source: brute force, 4000 means of 50 normal numbers with their known standard deviation.
    """
    generator, half = np.random.default_rng(5), 1.959964 / math.sqrt(50)
    means = generator.normal(size=(4000, 50)).mean(axis=1)
    states = [state_of(mean - half, mean + half, 0.0) for mean in means]
    for state in ("met", "not met"):
        wrong = states.count(state)
        assert stats.binom.cdf(wrong, 4000, 0.025) > 1e-3
        assert stats.binom.sf(wrong - 1, 4000, 0.025) > 1e-3


def test_the_units_that_would_resolve_it_do() -> None:
    """Source: a half-width falls with the square root of the units; here by hand, 1000 units and 8 um at 119 of 120."""
    units = units_to_resolve(1000, 119 * UM, 112 * UM, 127 * UM, 120 * UM)
    assert units == 64_000
    assert units is not None
    half = 8 * UM * math.sqrt(1000 / units)
    assert state_of(119 * UM - half, 119 * UM + half, 120 * UM) == "met"
    assert units_to_resolve(1000, 120 * UM, 112 * UM, 127 * UM, 120 * UM) is None
    assert units_to_resolve(1000, 119 * UM, 112 * UM, math.inf, 120 * UM) is None


def test_what_is_said() -> None:
    open_ = judged(119 * UM, 112 * UM, 127 * UM, 120 * UM)
    assert open_.reason == (
        "not resolved: 95 % of errors lie within 119 µm (112 to 127) at far, 120 µm required; the limit lies in the "
        "95 % interval; about 64000 arms would resolve it"
    )
    assert open_.margin == "1 µm below the 120 µm required"
    failing = judged(140 * UM, 130 * UM, 150 * UM, 120 * UM)
    assert failing.reason == "95 % of errors lie within 140 µm (130 to 150) at far, 120 µm required"
    fine = judged(100 * UM, 90 * UM, 110 * UM, 120 * UM)
    assert fine.reason == ""
    assert reasons([open_, fine, failing]) == (failing.reason, open_.reason)
    assert overall_verdict([fine, open_]) == "not resolved"
    assert overall_verdict([fine, open_, failing]) == "not met"
    assert overall_verdict([judged(1.0, 0.5, 2.0, None)]) == "none stated"
    share = judged(0.7, 0.68, 0.72, 0.8, True, "share")
    assert share.figure == "70.0 % (68.0 to 72.0)"
    assert share.margin == "10.0 percentage points below the 80 % required"


@pytest.mark.parametrize(
    ("value", "interval", "text"),
    [
        (32.260e-6, (32.259e-6, 32.261e-6), "32.3 µm"),  # the interval does not show in three digits
        (113.53e-6, (111.1e-6, 116.1e-6), "113.5 µm (111.1 to 116.1)"),
        (119e-6, (79e-6, 159e-6), "119 µm (79 to 159)"),
        (10.05762, (10.05762 - 0.027, 10.05762 + 0.027), "10.058 m (10.031 to 10.085)"),
        (0.0, (0.0, 0.0), "0 µm"),
    ],
)
def test_no_digit_beyond_what_the_sample_justifies(value: float, interval: tuple[float, float], text: str) -> None:
    """Source: JCGM 100:2008, 7.2.6, from memory: two digits of an uncertainty at most; 10.057 62 ohm with 27 milliohm."""
    assert show_interval(value, interval) == text


def test_the_widest_interval_of_a_column_decides_its_decimals() -> None:
    assert decimals_of([1.0, 2.0], [(0.99, 1.01), (0.5, 5.5)], 1.0) == 1
    assert decimals_of([], [], 1.0) == 0
    rows = share_digits([[judged(5.123 * UM, 5.1 * UM, 5.15 * UM, None)], [judged(113 * UM, 111 * UM, 116 * UM, None)]])
    assert [row[0].figure for row in rows] == ["5.1 µm", "113.0 µm (111.0 to 116.0)"]


def test_a_change_has_one_unit() -> None:
    """-1.03 um (-1.92 um to -130 nm) was told in two units."""
    assert format_change(-1.03e-6, (-1.92e-6, -0.13e-6)) == "-1.0 µm (-1.9 to -0.1)"
    assert format_change(2e-6, None) == "+2.00 µm"
