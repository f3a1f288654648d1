"""Closed-form moments against draws, for every law and every way of drawing."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from armsim.causes import Cause
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import Constant, Wave, mean_product
from armsim.errormodel.terms import SHAFT, Axis, PolarHarmonic, Role, independent, polar
from armsim.physics import assembly, error_motion, gear, heat, scale, signal
from armsim.physics.link_tolerances import link_tolerance

N = 200_000
LAWS = ["uniform", "triangular", "arcsine", "fixed", "normal", "rayleigh", "two-valued"]


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("power", [1, 2, 3, 4])
def test_absolute_moments(law: str, power: int) -> None:
    x = np.abs(Distribution(law, 2.0).draw(np.random.default_rng(1), N)) ** power  # type: ignore[arg-type]
    assert Distribution(law, 2.0).absolute_moment(power) == pytest.approx(
        x.mean(), abs=5 * x.std() / np.sqrt(N) + 1e-12
    )  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("law", "reference"),
    [
        ("uniform", stats.uniform(-2, 4)),
        ("triangular", stats.triang(0.5, -2, 4)),
        ("arcsine", stats.arcsine(-2, 4)),
        ("normal", stats.norm(0, 2)),
        ("rayleigh", stats.rayleigh(0, 2)),
    ],
)
def test_laws_are_those_of_scipy(law, reference) -> None:  # type: ignore[no-untyped-def]
    """Source: scipy.stats; Kolmogorov-Smirnov at one in a thousand with a fixed seed."""
    x = Distribution(law, 2.0).draw(np.random.default_rng(2), 20_000)
    assert stats.kstest(x, reference.cdf).pvalue > 1e-3
    assert Distribution(law, 2.0).second_moment == pytest.approx(reference.var() + reference.mean() ** 2)


TERMS = [
    *assembly.eccentricity(Distribution("uniform", 1e-3), 1e-2),
    *assembly.eccentricity(Distribution("rayleigh", 1e-3), 1e-2, phase=0.7),
    *assembly.disc_tilt(Distribution("normal", 0.1)),
    *assembly.disc_tilt(Distribution("triangular", 0.1), phase=1.1),
    *assembly.mastering(Distribution("fixed", 1e-3)),
    *gear.kinematic_error(Distribution("arcsine", 1e-3), 2, 100),
    *gear.reversal(1e-3),
    *gear.lead_error(Distribution("uniform", 1e-5), 0.5),
    *scale.graduation(Distribution("uniform", 1e-3), 1.0),
    *scale.quantisation(64, 4),
    *scale.summary_repeatability(Distribution("normal", 1e-3)),
    *signal.sub_divisional_error(
        64, Distribution("uniform", 0.1), Distribution("normal", 0.1), Distribution("triangular", 0.1)
    ),
    *signal.noise(64, 0.01),
    *assembly.eccentricity(Distribution("uniform", 1e-3), 1e-2, heads=(0.0, 2.0), phase=0.7),
    *assembly.eccentricity(Distribution("normal", 1e-3), 1e-2, heads=(0.3, 2.0, 4.0)),
    *assembly.shaft_runout(Distribution("triangular", 1e-3), 1e-2),
    *assembly.shaft_runout(Distribution("uniform", 1e-3), 1e-2, heads=(0.0, 1.0), phase=0.2),
    *assembly.nonrepeatable_runout(Distribution("uniform", 1e-3), 1e-2),
    *scale.graduation(Distribution("normal", 1e-3), 1.0, (0.0, 1.5)),
    *scale.stated_noise(Distribution("normal", 1e-3), 0.5),
    *scale.stated_misalignment("head_radial", Distribution("triangular", 1e-3), 0.1, 1.0),
    *signal.stated_sub_divisional_error(64, Distribution("uniform", 1e-3)),
    *error_motion.synchronous_error_motion("x", Cause("x"), Distribution("uniform", 1e-3), 2, ("tilt x", "tilt y")),
    *error_motion.synchronous_error_motion("x", Cause("x"), Distribution("rayleigh", 1e-3), 1, ("shift z",)),
    *error_motion.asynchronous_error_motion("x", Cause("x"), Distribution("normal", 1e-3), ("shift x", "shift y")),
    *heat.joint_temperature(
        "x",
        Distribution("uniform", 2.0, 5.0),
        [(Axis("x"), Constant(1e-6))],
        [(Axis("x"), (Constant(1.0),), Distribution("normal", 1e-6))],
    ),
]


@pytest.mark.parametrize("term", TERMS, ids=lambda t: f"{t.name} {getattr(t.draw, 'phase', '')}")
def test_moments_of_every_term_against_its_draws(term) -> None:  # type: ignore[no-untyped-def]
    c = term.draw(np.random.default_rng(3), N)
    assert c.shape == (len(term.mean), N)
    np.testing.assert_allclose(c.mean(axis=1), term.mean, atol=5 * c.std(axis=1).max() / np.sqrt(N) + 1e-15)
    products = c[:, None] * c[None]
    tolerance = 5 * products.std(axis=2) / np.sqrt(N) + 1e-12 * np.abs(term.second_moment).max()
    assert np.all(np.abs(products.mean(axis=2) - term.second_moment) <= tolerance)


def test_second_order_of_an_eccentricity_goes_with_the_first() -> None:
    """Both orders come from one offset and one direction: of two units, the more eccentric has more of both."""
    (term,) = assembly.eccentricity(Distribution("uniform", 1e-3), 1e-2)
    c = term.draw(np.random.default_rng(4), 1000)
    first, second = np.hypot(c[0], c[1]), np.hypot(c[2], c[3])
    np.testing.assert_allclose(second, first**2 / 2)
    np.testing.assert_allclose(np.angle((c[0] - 1j * c[1]) ** 2), np.angle(c[2] - 1j * c[3]), atol=1e-9)


def test_visit_life_refuses_laws_that_compiled_draws_do_not_know() -> None:
    with pytest.raises(ValueError, match="visit life"):
        independent("x", Cause("x"), (Distribution("triangular", 1.0),), (Constant(),), 1.0, "visit")


def test_mean_products_over_all_positions() -> None:
    """Source: numerical average over a turn."""
    shapes = [Constant(2.0), Wave("sin", 3, 1.5), Wave("cos", 3, 0.5), Wave("sin", 4, 1.0), Wave("sin", 3, -1.0)]
    from armsim.errormodel.shapes import State

    turn = State.at_rest(np.linspace(0, 2 * np.pi, 4096, endpoint=False))
    for a in shapes:
        for b in shapes:
            assert mean_product(a, b, turn) == pytest.approx(np.mean(a.value(turn) * b.value(turn)), abs=1e-12)


def test_placing_a_term_scales_its_limit_and_keeps_its_draws() -> None:
    term = polar("x", Cause("x"), Distribution("uniform", 1.0), None, (PolarHarmonic(1.0, 1, 1, 1.0),))
    placed = term.transfer_to(Axis("j"), -0.01, 100.0)
    assert placed.limit == pytest.approx(0.01)
    assert {act.axis for act in placed.acts} == {Axis("j")}
    assert {act.axis for act in term.acts} == {SHAFT}
    assert placed.draw is term.draw
    assert placed.acts[0].shape.order == 100.0


def test_a_term_says_where_it_is() -> None:
    """At a joint of any name, at the row of a link, or at the machine where it is at several joints."""
    limit = Distribution("uniform", 1e-4)
    term = independent("play", Cause("play"), (limit,), (Constant(),), limit.limit)
    assert term.transfer_to(Axis("left/1")).joint_or_link == "left/1"
    (tolerance,) = link_tolerance(Axis("left/1", "d", Role.LINK), limit)
    assert (tolerance.owner, tolerance.joint_or_link) == ("links", "left/1")
    acts = (*term.transfer_to(Axis("left/1")).acts, *term.transfer_to(Axis("right")).acts)
    assert replace(term, acts=acts).joint_or_link == "machine"
