"""Arms that are not as predicted: what scatters is named, what to expect of them is known as well as is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from independent_session import OFFSET, SIZES, Hidden, Session, forward, spots
from scipy import stats
from test_sessions import FILE

from armsim.calibration.linear_population import LinearPopulation
from armsim.calibration.measured_population import measured_units
from armsim.calibration.measurement_setup import Setup, without_frame
from armsim.calibration.posterior import Posterior
from armsim.calibration.rank_tests import RankTests
from armsim.calibration.rescaled_spreads import RescaledSpreads
from armsim.calibration.verify import References
from armsim.calibration.visit_causes import VisitCauses, scatter_records


def test_factors_of_visit_causes_are_unbiased_whatever_they_are() -> None:
    """Their mean over 3000 arms whose second joint has three times the lost motion: the score is linear in the factors,
    so that one step of scoring is exact in the mean. Four standard errors."""
    session = Session("six", spots("six", 12), 3)
    setup = Setup.of(session.study, None)
    read = setup.register(session.read(1)[0], FILE)
    linear = LinearPopulation.of(setup.machine, read.joints)
    joints = list(setup.machine.joints)
    gear = joints[1].transmission
    joints[1] = replace(joints[1], transmission=replace(gear, lost_motion=3.0 * gear.lost_motion))
    loose = replace(setup.machine, joints=tuple(joints))
    model = VisitCauses.of(linear, linear.readings(read.counts, read.covariance_roots))
    assert [next(term.cause.name for term in group) for group in model.groups] == ["lost motion"] * len(model.groups)
    visits = measured_units(loose, read.joints, read.counts, read.covariance_roots, 3000, 5)
    factors = model.factors(np.sum([model.scores(n, rows) for n, rows in enumerate(visits)], axis=0))
    truth = np.array([9.0 if group[0].name.startswith("j2/") else 1.0 for group in model.groups])
    assert 9.0 in truth
    error = factors.std(axis=0) / np.sqrt(len(factors))
    assert np.all(np.abs(factors.mean(axis=0) - truth) < 4.0 * error + 0.01 * truth)


def measured_arms(
    session: Session, count: int
) -> tuple[Setup, References, list[tuple[object, RankTests, list[np.ndarray], np.ndarray]]]:
    """Arms in the base frame, their ranks, readings and hidden rows."""
    study = session.study
    every = [session.read(300 + n) for n in range(count)]
    setup = Setup.of(study, None).with_fitted_target([arm for arm, _ in every], FILE)
    references, out = References(setup, study, FILE, 1), []
    for arm, off in every:
        read = setup.register(arm, FILE)
        distributions = references.distributions_for(read)
        straight = without_frame(read, distributions.arms.estimator)
        out.append((read, RankTests.of(straight, distributions.arms), list(straight.visits.values()), off))
    return setup, references, out


@pytest.mark.parametrize("kind", ["six", "scara"])
@pytest.mark.parametrize("frame", [False, True])
def test_lost_motion_of_three_times_the_stated_is_named(kind: str, frame: bool) -> None:
    """Of one joint: where anything is named, its name comes first in more than nine of ten arms, and others are named as
    seldom as the level says; something is named in more than half of the arms, of six axes in nine of ten. Of all
    joints: one of them is named in every arm."""
    session = Session(kind, spots(kind, 24), 5, frame=frame)
    for hidden in (Hidden(lost=3.0, joint=1), Hidden(lost=3.0)):
        _, references, arms = measured_arms(replace(session, hidden=hidden), 20)
        first = innocent = named = 0
        for read, ranks, visits, _ in arms:
            distributions = references.distributions_for(read)
            judged = ranks.scatter_p_value <= ranks.level
            rows = scatter_records(distributions.visit_model, distributions.visits, visits, ranks.level, judged)
            wrong = [row for row in rows if row.significant]
            assert all(row.causes[0] == "lost motion" for row in wrong)
            named += bool(wrong)
            first += bool(wrong) and wrong[0].owner == "j2"
            innocent += any(row.owner != "j2" for row in wrong)
        if hidden.joint is None:
            assert named == len(arms)
        else:
            assert named >= stats.binom.ppf(0.01, len(arms), 0.9 if kind == "six" else 0.5)
            assert first >= stats.binom.ppf(0.01, named, 0.9)
            assert innocent <= stats.binom.ppf(0.99, len(arms), 0.01)


UNMEASURED = 10
"""Poses at which errors are expected."""
WRONG = [
    ("six", Hidden(links=2.0)),
    ("six", Hidden(lost=3.0)),
    ("scara", Hidden(links=3.0)),
    ("scara", Hidden(lost=2.0)),
]


def test_what_is_expected_of_wrong_arms_is_within_two_deviations_as_often_as_of_sound_ones() -> None:
    """At ten poses that were not measured, of those of 40 arms of each kind that are called wrong: 94 to 97 % of the
    coordinates, by pinocchio, lie within two standard deviations, and what the mean of so many arms scatters, of which
    each differs by some 14 % of its coordinates; 90 to 98.5 % for every way of being wrong."""
    inside = count = plain = 0
    for kind, hidden in WRONG:
        covered, before, coordinates = coverage(Session(kind, spots(kind, 24), 3, hidden=hidden), 40)
        assert 0.90 <= covered / coordinates <= 0.985, (kind, hidden, covered / coordinates)
        inside, plain, count = inside + covered, plain + before, count + coordinates
    error = 0.14 / np.sqrt(count / (3.0 * UNMEASURED))
    assert 0.94 - error <= inside / count <= 0.97 + error
    assert plain / count < 0.92  # what the stated spreads say


@pytest.mark.parametrize("kind", ["six", "scara"])
def test_it_is_so_where_the_frame_is_fitted(kind: str) -> None:
    """Links three times as far off as stated, frame and target fitted: much of what is expected then hangs on
    causes that the readings do not resolve. 92 to 96 % of 200 arms; arms differ by some 14 % of their coordinates, so
    that the mean of those called wrong has a standard error of that over their root."""
    session = Session(kind, spots(kind, 24), 3, frame=True, hidden=Hidden(links=3.0))
    covered, before, coordinates = coverage(session, 40)
    error = 0.14 / np.sqrt(coordinates / (3.0 * UNMEASURED))
    assert 0.92 - 2.5 * error <= covered / coordinates <= 0.96 + 2.5 * error
    assert before / coordinates < 0.8  # what the stated spreads say


class OneConstant(Session):
    """Arms of which one constant of a link is eight times as far off as stated."""

    def rows(self, rng: np.random.Generator) -> np.ndarray:
        off = super().rows(rng)
        off[0, 2] = 8.0 * SIZES["a"]
        return off


def test_a_single_cause_keeps_the_spreads_of_the_others() -> None:
    """Of a SCARA with another length of the first link, frame and target fitted, this is named; all spreads grow in no
    more than one of ten such arms (binomial bound at 99 %)."""
    _, references, arms = measured_arms(OneConstant("scara", spots("scara", 24), 3, frame=True), 12)
    named = common = 0
    for read, ranks, visits, _ in arms:
        if ranks.significant_causes:
            estimator = references.distributions_for(read).arms.estimator
            by_stated = Posterior.of(estimator, estimator.readings.means(visits))
            columns = references.setup.registration_jacobian(read)
            factors = dict(RescaledSpreads.of(by_stated, ranks, visits, read.covariance_roots, columns).factors)
            named += 1
            common += "all causes" in factors
    assert named == len(arms)
    assert common <= stats.binom.ppf(0.99, named, 0.1)


def coverage(session: Session, arms: int) -> tuple[int, int, int]:
    """Coordinates within two standard deviations, by spreads estimated anew and by those stated, and all of them."""
    setup, references, measured = measured_arms(session, arms)
    joints = spots(session.kind, UNMEASURED, 77)
    unmeasured = LinearPopulation.of(setup.machine, joints)
    inside = before = count = 0
    for read, ranks, visits, off in measured:
        if ranks.compatible:
            continue
        estimator = references.distributions_for(read).arms.estimator
        by_stated = Posterior.of(estimator, estimator.readings.means(visits))
        renewed = RescaledSpreads.of(by_stated, ranks, visits, read.covariance_roots, setup.registration_jacobian(read))
        truth = np.concatenate([tool(session.kind, off, q) - tool(session.kind, 0.0 * off, q) for q in joints])
        for update, ratio in ((renewed.posterior, renewed.ratio), (by_stated, 1.0)):
            mean = unmeasured.gain @ update.coefficients + unmeasured.visit_mean
            square = np.einsum("rc,cd,rd->r", unmeasured.gain, update.estimator.covariance, unmeasured.gain)
            within = int(np.count_nonzero(np.abs(truth - mean) <= 2.0 * ratio * np.sqrt(square)))
            inside, before = (inside + within, before) if update is renewed.posterior else (inside, before + within)
        count += len(truth)
    return inside, before, count


def tool(kind: str, off: np.ndarray, q: np.ndarray) -> np.ndarray:
    """Place of the target."""
    rotation, position = forward(kind, off, q, 1.0)
    return position + rotation @ np.array(OFFSET)
