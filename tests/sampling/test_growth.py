"""A population that grows is, to the bit, the one that is sampled at once."""

from itertools import count

import numpy as np
import pytest
from support import ROOT

import armsim
from armsim.sampling.run_options import RunOptions

EVERY = ROOT / "scenarios" / "every-task.yaml"
DEMO = ROOT / "scenarios" / "bonding-cell.yaml"


@pytest.mark.parametrize(("scenario", "units"), [(EVERY, 900), (DEMO, 600), (EVERY, 5)])
@pytest.mark.parametrize("workers", [1, 3])
def test_the_last_answer_is_that_of_a_run(scenario, units, workers) -> None:  # type: ignore[no-untyped-def]
    """Source: the run itself, another path through the engine; paths and one-sided approaches among the tasks."""
    study = armsim.load(scenario).with_plan(units=units, visits=6)
    found = study.find()
    answers = list(study.growing(found, RunOptions(workers)))
    assert answers[0].units == 0
    assert answers[-1].units == units
    result = study.evaluate(found)[0]
    samples = answers[-1].samples
    assert samples is not None
    assert study.told(found, samples) == result
    for table, task in zip(answers[0].tables, result.tasks, strict=True):
        np.testing.assert_array_equal(table.column("first_order.rms"), task.column("first_order.rms"))
        assert np.isnan(table.column("error.p95")).all()


def test_intervals_narrow_as_it_grows() -> None:
    study = armsim.load(DEMO).with_plan(units=2000, visits=10)
    study = study.with_scenario(tasks=study.scenario.tasks[:1])
    widths = []
    for answer in study.growing():
        if answer.judged:
            low, high = answer.judged[0].interval  # type: ignore[misc]
            widths.append(high - low)
    assert widths[-1] < 0.5 * widths[0]


def test_it_is_stopped_between_calls() -> None:
    """Units and visits without end: it must come back soon after it is told to."""
    study = armsim.load(DEMO).with_plan(units=100_000, visits=1000)
    study = study.with_scenario(tasks=study.scenario.tasks[:1])
    calls = count(1)
    last = 0

    def stopped() -> bool:
        nonlocal last
        last = next(calls)
        return last > 40

    answers = list(study.growing(options=RunOptions(1, stopped=stopped)))
    assert answers[-1].units < 100_000
    assert last == 41


def test_memory_is_asked_for_first() -> None:
    study = armsim.load(DEMO).with_plan(units=10_000_000)
    with pytest.raises(armsim.errors.RunError, match="grows to 10000000 units"):
        next(iter(study.growing()))
