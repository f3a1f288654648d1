"""Tolerances about another value than zero: from the document to the tool.

Source of the expected values: numpy draws of the laws and of the built arms in this file, through plane geometry.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from support import ROOT, invoke

import armsim
from armsim.documents import check_file
from armsim.documents.load import load_scenario
from armsim.documents.schema import document_schema
from armsim.errormodel.distributions import Distribution
from armsim.errormodel.terms import Term
from armsim.errors import InputError
from armsim.model.parameters import stated_numbers
from armsim.physics import assembly, gear, heat, scale, signal

N = 200_000
LAWS = ("uniform", "triangular", "arcsine", "normal")


def plain(law: str, mean: float, size: float, n: int, seed: int = 1) -> np.ndarray:
    """Draws of a law by numpy."""
    rng = np.random.default_rng(seed)
    if law == "arcsine":
        return mean + size * np.sin(rng.uniform(0, 2 * np.pi, n))
    if law == "triangular":
        return rng.triangular(mean - size, mean, mean + size, n)
    return rng.normal(mean, size, n) if law == "normal" else rng.uniform(mean - size, mean + size, n)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("mean", [3.0, 0.7, -0.7, -40.0])
def test_moments_of_a_law_about_a_mean(law: str, mean: float) -> None:
    """One that keeps its sign, one that reaches across zero, and far from it."""
    target, x = Distribution(law, 1.5, mean), plain(law, mean, 1.5, N)  # type: ignore[arg-type]
    for power in (1, 2, 3, 4):
        sizes = np.abs(x) ** power
        assert target.absolute_moment(power) == pytest.approx(sizes.mean(), abs=5 * sizes.std() / math.sqrt(N))
    assert target.mean == mean
    draws = target.draw(np.random.default_rng(2), N)
    at = np.linspace(0.02, 0.98, 25)
    np.testing.assert_allclose(np.quantile(draws, at), np.quantile(x, at), atol=0.03)
    assert target.scaled(2.0).absolute_moment(2) == pytest.approx(4 * target.second_moment)
    assert np.abs(draws).max() <= target.limit or law == "normal"


WARM = heat.temperature(
    Distribution("uniform", 2.0, 8.0),
    [(assembly.mastering(Distribution("fixed", 1.0))[0].axes[0], scale.Constant(1.0))],
    [
        (
            assembly.mastering(Distribution("fixed", 1.0))[0].axes[0],
            (scale.Constant(1.0),),
            Distribution("normal", 0.2, 0.5),
        )
    ],
)
TERMS = [
    *assembly.eccentricity(Distribution("uniform", 2e-4, 1e-3), 1e-2),
    *assembly.eccentricity(Distribution("normal", 3e-4, 1e-3), 1e-2, phase=0.7),
    *assembly.disc_tilt(Distribution("triangular", 0.02, 0.1), phase=1.1),
    *assembly.mastering(Distribution("arcsine", 1e-3, -2e-3)),
    *gear.wind_up(1e4, Distribution("uniform", 0.1, 0.05), 0.8),
    *signal.sub_divisional_error(
        64, Distribution("uniform", 0.05, 0.1), Distribution("normal", 0.1, -0.05), Distribution("triangular", 0.1, 0.03)
    ),
    *signal.third_harmonic(64, Distribution("uniform", 0.05, 0.02)),
    *scale.stated_misalignment("head_radial", Distribution("uniform", 1e-3, -5e-4), 0.1, 1.0),
    *WARM,
]  # fmt: skip


@pytest.mark.parametrize("term", TERMS, ids=lambda term: f"{term.name} {getattr(term.draw, 'phase', '')}")
def test_moments_of_terms_with_means(term: Term) -> None:
    c = term.draw(np.random.default_rng(3), N)
    np.testing.assert_allclose(c.mean(axis=1), term.mean, atol=5 * c.std(axis=1).max() / math.sqrt(N) + 1e-15)
    products = c[:, None] * c[None]
    tolerance = 5 * products.std(axis=2) / math.sqrt(N) + 1e-12 * np.abs(term.second_moment).max()
    assert np.all(np.abs(products.mean(axis=2) - term.second_moment) <= tolerance)


CELL = """kind: scenario
name: warm
arm:
  kind: arm
  name: link on a slide
  expansion: 23 ppm/K
  tolerances: {{a: {a}}}
  kinematics:
    convention: standard-dh
    joints:
      - {{name: j1, type: revolute, d: 0 mm, a: 500 mm, alpha: 90 deg}}
      - {{name: j2, type: prismatic, theta: 0 deg, a: 0 mm, alpha: 0 deg, offset: 0 mm, range: [0 mm, 500 mm]}}
joints:
  j1:
    encoder: {{kind: encoder, name: s, measures: rotation, resolution: 34 bit, track_radius: 20 mm}}
    placement: output
    mounting: {{{mounting}}}
    mastering: {mastering}
  j2: {{encoder: {{kind: encoder, name: t, measures: translation, resolution: 1 nm, expansion: -10 ppm/K}}, placement: output}}
environment: {{temperature_rise: {rise}}}
requirement: {{position: 1 mm, coverage: 99 %}}
tasks: [{{kind: poses, name: lever, poses: [{{name: out, joints: [40 deg, 300 mm]}}]}}]
sampling: {{units: 20000, visits: 2, seed: 1}}
"""
NOTHING = "{limit: 0 um, distribution: fixed}"


def cell(tmp_path: Path, **values: str) -> Path:
    reference = {"a": NOTHING, "mounting": "", "mastering": "0 arcsec", "rise": "{limit: 0 K}", **values}
    path = tmp_path / "warm.yaml"
    path.write_text(CELL.format(**reference))
    return path


def run(path: Path) -> tuple[np.ndarray, float, float]:
    """Mean error, rms, and what 99 % keep to. [um]"""
    error = armsim.run(path).tasks[0].poses[0].error
    return 1e6 * np.asarray(error.mean), 1e6 * error.rms, 1e6 * error.p99


@pytest.mark.parametrize("law", LAWS)
def test_a_rise_of_so_many_kelvin_reaches_the_tool(tmp_path: Path, law: str) -> None:
    """A link of 500 mm at 40 deg grows by 23 ppm/K; a scale that shrinks lets the slide, square to it, go too short."""
    size = "std: 2 K" if law == "normal" else "limit: 2 K"
    path = cell(tmp_path, rise=f"{{mean: 8 K, {size}, distribution: {law}}}")
    rise = plain(law, 8.0, 2.0, 100_000)
    along = 23e-6 * 0.5 * rise * 1e6
    slide = -10e-6 * 0.3 * rise * 1e6
    turn = math.radians(40)
    # alpha = 90 deg: the slide runs along (sin, -cos) of the turn
    error = np.stack([along * math.cos(turn) + slide * math.sin(turn), along * math.sin(turn) - slide * math.cos(turn)])
    length = np.hypot(*error)
    mean, rms, most = run(path)
    np.testing.assert_allclose(mean[:2], error.mean(axis=1), rtol=0.01)
    assert rms == pytest.approx(math.sqrt(np.mean(length**2)), rel=0.01)
    assert most == pytest.approx(np.quantile(length, 0.99), rel=0.01)  # 20 000 arms: 200 lie beyond


def test_all_kinds_of_means_together(tmp_path: Path) -> None:
    """A link made 40 um too long, a zero that is off by 20 arcsec, a scale that is 10 um off its shaft, give or take."""
    path = cell(
        tmp_path, a="{mean: 40 um, limit: 10 um}", mastering="{mean: -20 arcsec, std: 3 arcsec}",
        mounting="eccentricity: {mean: 10 um, limit: 2 um, phase: 90 deg}", rise="{mean: -5 K, limit: 0 K}",
    )  # fmt: skip
    n, rng, turn = 100_000, np.random.default_rng(4), math.radians(40)
    tolerance = rng.uniform(30e-6, 50e-6, n)
    zero = math.radians(1 / 3600) * rng.normal(-20, 3, n)
    off, at = rng.uniform(8e-6, 12e-6, n), turn - math.pi / 2
    reads = np.arctan2(off * np.sin(at), 0.02 - off * np.cos(at))  # too much, so that the joint stays behind
    angle = turn + zero - reads
    # the second row has a length of its own, along x of its frame, which is the first's
    length = 0.5 * (1 - 23e-6 * 5) + tolerance + rng.uniform(30e-6, 50e-6, n)
    slide = 0.3 * (1 - 10e-6 * -5)
    point = np.stack([length * np.cos(angle) + slide * np.sin(angle), length * np.sin(angle) - slide * np.cos(angle)])
    nominal = np.array([0.5 * math.cos(turn) + 0.3 * math.sin(turn), 0.5 * math.sin(turn) - 0.3 * math.cos(turn)])
    error = 1e6 * (point - nominal[:, None])
    mean, rms, most = run(path)
    np.testing.assert_allclose(mean[:2], error.mean(axis=1), atol=0.5)
    assert rms == pytest.approx(math.sqrt(np.mean(np.sum(error**2, axis=0))), rel=0.01)
    assert most == pytest.approx(np.quantile(np.hypot(*error), 0.99), rel=0.01)  # 20 000 arms: 200 lie beyond


@pytest.mark.parametrize(
    ("rise", "message"),
    [
        ("8 K", True), ("+-8 K", False), ("{limit: 8 K}", False), ("{limit: 8 K, distribution: fixed}", False),
        ("{mean: 8 K, limit: 0 K}", False), ("{mean: 8 K, limit: 2 K}", False), ("8 K rms", False),
    ],
)  # fmt: skip
def test_a_bare_rise_is_told_with_both_readings(tmp_path: Path, rise: str, message: bool) -> None:
    out = invoke("check", cell(tmp_path, rise=rise))
    assert out.returncode == 0
    note = [line for line in out.stderr.splitlines() if "about zero" in line]
    assert bool(note) == message
    for reading in ("±8 K", "{mean: 8 K, limit: 0 K}", "{limit: 8 K, distribution: fixed}", "{limit: 8 K}"):
        assert all(reading in line for line in note)


def test_what_is_shipped_says_what_it_means() -> None:
    for path in (*ROOT.glob("scenarios/*.yaml"), *ROOT.glob("scenarios/lessons/*.yaml")):
        assert not [note for note in load_scenario(path).notes if "about zero" in note], path


def test_check_lists_links_and_heat(tmp_path: Path) -> None:
    """j1.a: 40 um give or take 10; 5 K of 23 ppm/K on 500 mm are 57.5 um."""
    path = cell(tmp_path, a="{mean: 40 um, limit: 10 um}", rise="{mean: 5 K, limit: 1 K}")
    printed = [" ".join(line.split()) for line in invoke("check", path).stdout.splitlines()]
    assert "j1.a link a accuracy 40.4 40.0 40.4 50.0" in printed  # sqrt(40^2 + 10^2/3)
    assert "j1.a temperature accuracy 57.9 57.5 57.9 69.0" in printed  # 11.5 um/K sqrt(25 + 1/3)
    assert any("temperature rise" in line and "mean 5.00 K, standard deviation 0.577 K" in line for line in printed)
    links = json.loads(invoke("check", "--json", path).stdout)[str(path)]["links"]
    assert [term["cause"] for term in links] == ["link a", "link a", "temperature"]


def test_mean_and_limit_are_numbers_of_their_own(tmp_path: Path) -> None:
    """Each is changed alone: a tenth less mean, a tenth less limit."""
    path = cell(tmp_path, a="{mean: 40 um, limit: 10 um}", mounting="eccentricity: {mean: 10 um, limit: 2 um}")
    machine = load_scenario(path).machine
    reference = {number.path: number for number in stated_numbers(machine)}
    assert reference["joints.j1.mounting.eccentricity.mean"].value == pytest.approx(10e-6)
    assert reference["joints.j1.mounting.eccentricity.limit"].value == pytest.approx(2e-6)
    assert reference["link j1.a.mean"].value == pytest.approx(40e-6)
    spread = (
        reference["joints.j1.mounting.eccentricity.mean"].multiply(machine, 0.9).joints[0].mounting.eccentricity.spread
    )
    assert (spread.centre, spread.scale) == (pytest.approx(9e-6), pytest.approx(2e-6))
    spread = reference["link j1.a.limit"].multiply(machine, 0.9).tolerances[0][1]
    assert (spread.centre, spread.scale) == (pytest.approx(40e-6), pytest.approx(9e-6))


ENCODER = "kind: encoder\nname: s\nmeasures: rotation\nlines: 512\nresolution: 30 bit\ntrack_radius: 20 mm\n"
REFUSED = [
    ("noise: {mean: 1 arcsec, std: 1 arcsec}", ["noise", "'mean' of a tolerance that can have none", "visit to visit"]),
    ("summary: {accuracy: {mean: 1 arcsec, limit: 1 arcsec}}", ["summary.accuracy", "curve of unknown shape"]),
    ("graduation_error: {mean: 1 arcsec, limit: 1 arcsec}", ["graduation_error", "curve of unknown shape"]),
    ("sub_divisional_error: {mean: 1 arcsec, limit: 1 arcsec}", ["curve of unknown shape"]),
    ("signal: {offset_drift: {mean: 1 %/K, limit: 1 %/K}}", ["signal.offset_drift", "is not known"]),
    ("drift: {mean: 1 arcsec/K, limit: 1 arcsec/K, distribution: fixed}", ["drift", "with a mean", "triangular"]),
    ("drift: {mean: 1 arcsec/K}", ["drift", "exactly one of 'limit' and 'std'", "mean: X"]),
    ("drift: {mean: 1 K, limit: 1 arcsec/K}", ["drift", "not a"]),
    ("drift: {mean: 1, limit: 1 arcsec/K}", ["drift", "without a unit"]),
    ("drift: {mean: 1 arcsec/K, limit: 1 um/K}", ["drift", "both alike"]),
]


@pytest.mark.parametrize(("line", "case_message"), REFUSED, ids=[line for line, _ in REFUSED])
def test_means_that_make_no_sense_are_refused(tmp_path: Path, line: str, case_message: list[str]) -> None:
    path = tmp_path / "e.yaml"
    path.write_text(f"{ENCODER}{line}\n")
    with pytest.raises(InputError) as caught:
        check_file(path)
    message = "\n".join(str(problem) for problem in caught.value.problems)
    for part in ("e.yaml:7", *case_message):
        assert part in message


@pytest.mark.parametrize(
    ("size", "good"),
    [
        ("{mean: 5 um, limit: 8 um}", False), ("{mean: -5 um, limit: 2 um}", False), ("{mean: 5 um, std: 2 um}", False),
        ("{mean: 5 um, limit: 5 um}", True), ("{mean: 6 um, std: 2 um}", True), ("{mean: 0 um, limit: 5 um}", True),
        ("{mean: 5 um, std: 1 um, distribution: rayleigh}", False),
    ],
)  # fmt: skip
def test_a_size_does_not_reach_below_zero(tmp_path: Path, size: str, good: bool) -> None:
    path = cell(tmp_path, mounting=f"eccentricity: {size}")
    if good:
        load_scenario(path)
        return
    with pytest.raises(InputError, match=r"eccentricity"):
        load_scenario(path)


def test_schema_and_explain_know_the_mean() -> None:
    import jsonschema

    schema = document_schema("encoder")
    document = {"kind": "encoder", "name": "s", "measures": "rotation", "resolution": "20 bit"}
    jsonschema.validate({**document, "drift": {"mean": "1 arcsec/K", "limit": "1 arcsec/K"}}, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**document, "noise": {"mean": "1 arcsec", "std": "1 arcsec"}}, schema)
    assert "mean: where it is not about zero" in invoke("explain", "temperature_rise").stdout
    assert "mean:" not in invoke("explain", "encoder summary.accuracy").stdout
