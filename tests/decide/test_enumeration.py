"""The choice held against full enumeration, on thinned cases of `enumeration`.

Source: full enumeration, every design sampled.
"""

from dataclasses import replace

import numpy as np
import pytest
from enumeration import CASES, Enumerated, beaten, build, enumerate_all, hold, levels, squares

LEVELS, PER_LEVEL = 3, 5
THINNED = 3
"""Options of a joint that are kept."""


@pytest.fixture(scope="module", params=list(CASES))
def every(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Enumerated:
    study, options = build(tmp_path_factory.mktemp(request.param), request.param)
    return enumerate_all(
        study.with_plan(units=200, visits=4), replace(options, joints=tuple(own[:THINNED] for own in options.joints))
    )


def test_the_cheapest_choice_is_that_of_enumeration(every: Enumerated) -> None:
    """Position, RP and yield, alone and together. Source: full enumeration, every design sampled."""
    first, *_ = every_level = list(levels(every, LEVELS))  # of the level that nothing holds one is enough
    rows = [(asked, *hold(every, asked)) for asked in [first, *every_level[PER_LEVEL:]]]
    wrong = [(asked, least, found.price) for asked, least, found, _, verdict in rows if verdict == "WRONG"]
    assert not wrong
    assert all(found.proved for _, _, found, *_ in rows)
    assert sum(verdict == "ok" for *_, verdict in rows) > len(rows) / 4
    assert sum(least is not None for _, least, *_ in rows) > len(rows) / 2


@pytest.mark.parametrize("every", ["heat", "means"], indirect=True)
def test_parts_add_up_as_vectors(every: Enumerated) -> None:
    """Means and shared heat add and cancel. Source: the whole machine of every design, linearised."""
    parts, whole = squares(every)
    np.testing.assert_allclose(parts, whole, rtol=1e-9)


@pytest.mark.parametrize("every", ["heat"], indirect=True)
def test_no_design_beats_a_point_of_the_trade_off(every: Enumerated) -> None:
    """Source: full enumeration, by first order of the whole machine of every design."""
    points, wrong = beaten(every, float(np.median(every.quantile)))
    assert points > 1
    assert not wrong
