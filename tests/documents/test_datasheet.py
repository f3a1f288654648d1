"""Data sheets as they are written: every number worked by hand, every contradiction told, every statement simulated.

Source of the expected values: the hand arithmetic beside them, from the lines of the sheet; JCGM 100:2008 4.3.7 for the
standard uncertainty a/sqrt(3) of +-a; brute force where a test draws sensors itself.
"""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from support import ROOT

import armsim
from armsim.documents import check_file
from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.errormodel.shapes import State
from armsim.errormodel.terms import SHAFT
from armsim.errors import InputError
from armsim.model.encoder import Encoder
from armsim.model.mounting import Mounting
from armsim.sampling.joint_budgets import joint_budgets

ARCSEC = math.pi / 648_000
SHEET = "kind: encoder\nname: s\nmeasures: rotation\n"
TAPE = "kind: encoder\nname: t\nmeasures: translation\n"


def encoder(tmp_path: Path, text: str) -> Encoder:
    """The sensor of a document."""
    path = tmp_path / "encoder.yaml"
    path.write_text(text)
    actual = check_file(path)
    assert isinstance(actual, Encoder)
    return actual


def fault(tmp_path: Path, text: str) -> str:
    """What is wrong with a document."""
    with pytest.raises(InputError) as caught:
        encoder(tmp_path, text)
    return "\n".join(str(problem) for problem in caught.value.problems)


@pytest.mark.parametrize(
    ("line", "periods"),
    [("lines: 1024", 1024), ("signal_periods: 1024", 1024), ("pole_pairs: 32", 32), ("poles: 64", 32)],
)
@pytest.mark.parametrize(
    ("resolution", "steps"),
    [
        ("resolution: 22 bit", 2**22),
        ("resolution: 4194304 counts", 2**22),
        ("resolution: 0.309 arcsec", 1_296_000 / 0.309),
        ("interpolation: 12 bit", None),
        ("interpolation: 4096 counts", None),
        ("summary: {resolution: 22 bit}", 2**22),
    ],
)
def test_any_words_for_period_and_resolution(
    tmp_path: Path, line: str, periods: int, resolution: str, steps: float | None
) -> None:
    sensor = encoder(tmp_path, f"{SHEET}{line}\n{resolution}\n")
    assert sensor.order == periods
    assert sensor.step == pytest.approx(2 * math.pi / (steps or periods * 4096), rel=1e-12)


def test_a_linear_scale_states_its_step(tmp_path: Path) -> None:
    sensor = encoder(tmp_path, f"{TAPE}signal_period: 20 um\nresolution: 10 nm\n")
    assert sensor.interpolation == pytest.approx(math.log2(2000))  # 20 um / 10 nm
    assert sensor.step == pytest.approx(10e-9)


def test_a_resolution_alone_is_enough(tmp_path: Path) -> None:
    sensor = encoder(tmp_path, f"{SHEET}resolution: 20 bit\n")
    assert sensor.step == pytest.approx(2 * math.pi / 2**20)


@pytest.mark.parametrize(
    ("lines", "radius"),
    [
        ("track_radius: 11 mm", 11e-3),
        ("track_diameter: 22 mm", 11e-3),
        ("outer_diameter: 26 mm", 0.85 * 13e-3),
        ("outer_diameter: 26 mm\ntrack_radius: 11 mm", 11e-3),
        ("track_diameter: 22 mm\ntrack_radius: 11 mm", 11e-3),
    ],
)
def test_radius(tmp_path: Path, lines: str, radius: float) -> None:
    sensor = encoder(tmp_path, f"{SHEET}lines: 1024\nresolution: 22 bit\n{lines}\n")
    assert sensor.track_radius == pytest.approx(radius)
    assumed = [reading for reading in sensor.value_origins if reading.key == "track_radius" and reading.assumed]
    assert bool(assumed) == (lines == "outer_diameter: 26 mm")


@pytest.mark.parametrize(
    ("text", "law", "scale"),
    [
        ("20 arcsec", "uniform", 20), ("+-20 arcsec", "uniform", 20), ("±20 arcsec", "uniform", 20),
        ("+/- 20 arcsec", "uniform", 20), ("40 arcsec peak to peak", "uniform", 20), ("40 arcsec pp", "uniform", 20),
        ("40 arcsec p-p", "uniform", 20), ("7 arcsec rms", "normal", 7), ("7 arcsec 1 sigma", "normal", 7),
        ("14 arcsec 2 sigma", "normal", 7), ("21 arcsec 3 sigma", "normal", 7), ("21 arcsec 3sigma", "normal", 7),
        ("{std: 7 arcsec, distribution: normal}", "normal", 7),
    ],
)  # fmt: skip
def test_tolerances_as_sheets_write_them(tmp_path: Path, text: str, law: str, scale: float) -> None:
    sensor = encoder(
        tmp_path, f"{SHEET}resolution: 22 bit\nsummary: {{accuracy: '{text}'}}\n".replace("'{", "{").replace("}'", "}")
    )
    assert sensor.summary is not None
    assert sensor.summary.accuracy.distribution == law
    assert sensor.summary.accuracy.scale == pytest.approx(scale * ARCSEC)


CONTRADICTIONS = [
    ("lines: 1024\nsignal_periods: 512\nresolution: 22 bit", ["lines", "1024 signal periods, 512"]),
    ("poles: 63\nresolution: 12 bit", ["poles", "even"]),
    ("lines: 1024\nresolution: 22 bit\nouter_diameter: 26 mm\ntrack_radius: 14 mm", ["26 mm across", "below 13 mm"]),
    ("lines: 1024\nresolution: 22 bit\nouter_diameter: 26 mm\ntrack_diameter: 28 mm", ["26 mm across", "14 mm"]),
    ("lines: 1024\nresolution: 22 bit\ntrack_radius: 11 mm\ntrack_diameter: 23 mm", ["11.5 mm", "11 mm"]),
    ("lines: 1024\nresolution: 22 bit\ninterpolation: 14 bit", ["interpolation", "12 bit by resolution"]),
    (
        "lines: 1024\nresolution: 22 bit\nsummary: {resolution: 20 bit}",
        ["summary.resolution", "a resolution other than"],
    ),
    ("lines: 1024\nresolution: 9 bit", ["coarser than the signal period"]),
    ("lines: 1024", ["resolution", "is missing"]),
    ("interpolation: 12 bit", ["resolution", "is missing"]),
    ("resolution: 20 bit\nsignal: {noise: 0.2 %}", ["signal: without lines or signal_periods"]),
    ("resolution: 20 bit\nsub_divisional_error: 2 arcsec", ["sub_divisional_error: without lines"]),
    ("lines: 512\nresolution: 20 bit\nsub_divisional_error: 2 arcsec\nsignal: {offset: 1 %}", ["offset", "twice"]),
    ("lines: 512\nresolution: 20 bit\nnoise: 2 arcsec rms\nsignal: {noise: 1 %}", ["noise", "twice"]),
    ("lines: 512\nresolution: 20 bit\nused_bandwidth: 2 kHz", ["used_bandwidth", "all three"]),
    (
        "lines: 512\nresolution: 20 bit\nnoise: 1 arcsec rms\nnoise_bandwidth: 1 kHz\nused_bandwidth: 2 kHz",
        ["used_bandwidth", "at most"],
    ),
    (
        "lines: 512\nresolution: 20 bit\nsummary: {accuracy: 5 arcsec}\ngraduation_error: 8 arcsec",
        ["summary.accuracy", "2.89 arcsec rms", "4.62 arcsec rms"],
    ),
    (
        "lines: 512\nresolution: 20 bit\nsummary: {repeatability: 1 arcsec}\nnoise: 2 arcsec rms",
        ["summary.repeatability", "0.577 arcsec rms", "2 arcsec rms"],
    ),
    ("resolution: 20 bit\nsummary: {mounted_with: {head_radial: 5 um}}", ["mounted_with", "head_radial"]),
    ("resolution: 20 bit\nmisalignment_errors: [{of: head_tilt, at: 5 um, error: 1 arcsec}]", ["head_tilt", "angle"]),
    ("resolution: 20 bit\nmisalignment_errors: [{of: phase, at: 5 um, error: 1 arcsec}]", ["head_tilt"]),
    ("lines: 512\nresolution: 20 bit\nmax_speed: 20 mm/s", ["max_speed", "angular speed"]),
    ("resolution: 20 bit\nsummary: {accuracy: 20 arcsec 4 sigma}", ["summary.accuracy"]),
    ("resolution: 20 bit\nsummary: {accuracy: +-}", ["summary.accuracy"]),
]


@pytest.mark.parametrize(
    ("lines", "expected"), CONTRADICTIONS, ids=[lines.replace("\n", ", ") for lines, _ in CONTRADICTIONS]
)
def test_contradictions_are_told_at_their_line(tmp_path: Path, lines: str, expected: list[str]) -> None:
    text = fault(tmp_path, f"{SHEET}{lines}\n")
    assert text.startswith(str(tmp_path / "encoder.yaml"))
    for part in expected:
        assert part in text


def mean_square(sensor: Encoder, cause: str) -> float:
    """Of one cause at the shaft, over units and positions."""
    state = State.at_rest(np.zeros(1))
    terms = sensor.terms(1.0, math.pi, 1.0)
    return sum(term.mean_square(SHAFT, state) for term in terms if term.cause.name == cause)


def test_what_is_told_apart_is_part_of_the_whole(tmp_path: Path) -> None:
    """The whole accuracy stays what the sheet says, whichever parts it tells apart. JCGM 100:2008 5.1.2."""
    parts = ["graduation_error: 6 arcsec", "sub_divisional_error: 4 arcsec", "noise: 0.5 arcsec rms"]
    for count in range(len(parts) + 1):
        for chosen in itertools.combinations(parts, count):
            lines = "\n".join(
                ("lines: 512", "resolution: 26 bit", "summary: {accuracy: 20 arcsec, repeatability: 2 arcsec}", *chosen)
            )
            sensor = encoder(tmp_path, f"{SHEET}{lines}\n")
            unit = [
                mean_square(sensor, cause) for cause in ("stated accuracy", "graduation error", "sub-divisional error")
            ]
            assert math.sqrt(sum(unit)) == pytest.approx(20 / math.sqrt(3) * ARCSEC)
            visit = [mean_square(sensor, cause) for cause in ("stated repeatability", "stated noise")]
            assert math.sqrt(sum(visit)) == pytest.approx(2 / math.sqrt(3) * ARCSEC)


@pytest.mark.parametrize(
    ("name", "size"), [("eccentricity", 20e-6), ("ellipticity", 20e-6), ("disc_tilt", 0.02), ("coupling_angle", 0.02)]
)
def test_a_mounting_that_is_counted_is_not_counted_twice(name: str, size: float) -> None:
    """Errors of what is counted and of what is beyond it together have the mean square of the whole mounting."""
    size_law, included_law = Magnitude(Distribution("uniform", size)), Magnitude(Distribution("normal", size / 5))
    mounting, included = Mounting(**{name: size_law}), Mounting(**{name: included_law})
    state = State.at_rest(np.linspace(0, 2 * math.pi, 2001)[:-1])

    def square(one: Mounting) -> float:
        # the second order of an eccentricity, a thousandth of the first, is of another power
        terms = one.terms(Encoder("e", track_radius=11e-3, signal_periods=512), 1.0, True)
        return sum(float(np.mean(term.mean_square(SHAFT, state))) for term in terms)

    assert square(mounting.excess_over(included)) + square(included) == pytest.approx(square(mounting), rel=1e-5)
    assert square(included.excess_over(mounting)) == 0.0


def test_noise_shrinks_with_the_root_of_the_bandwidth(tmp_path: Path) -> None:
    """Simulated: white noise sampled at 2 MHz, its spectrum cut at 1 MHz (whole) and at 100 kHz."""
    rng = np.random.default_rng(1)
    white = rng.normal(size=1 << 20)
    spectrum = np.fft.rfft(white)
    spectrum[np.fft.rfftfreq(len(white), 1 / 2e6) > 100e3] = 0.0
    remainder = np.fft.irfft(spectrum).std() / white.std()
    text = "lines: 512\nresolution: 30 bit\nnoise: 1 arcsec rms\nnoise_bandwidth: 1 MHz\nused_bandwidth: 100 kHz\n"
    sensor = encoder(tmp_path, SHEET + text)
    assert math.sqrt(mean_square(sensor, "stated noise")) == pytest.approx(remainder * ARCSEC, rel=5e-3)


def test_a_stated_sub_divisional_error_repeats_with_the_period(tmp_path: Path) -> None:
    """Drawn: every unit's curve repeats with the signal period, stays within +-limit, and has the stated rms."""
    sensor = encoder(tmp_path, f"{SHEET}lines: 64\nresolution: 26 bit\nsub_divisional_error: 12 arcsec pp\n")
    (term,) = [term for term in sensor.terms(1.0, math.pi, 1.0) if term.cause.name == "sub-divisional error"]
    draws = term.draw(np.random.default_rng(2), 4000)
    period = 2 * math.pi / 64
    at = np.linspace(0, period, 101)[:-1]
    curves, later = (
        sum(np.outer(act.shape.value(State.at_rest(q)), draws[act.coefficient]) for act in term.acts)
        for q in (at, at + 7 * period)
    )
    np.testing.assert_allclose(curves, later, atol=1e-12)
    assert np.abs(curves).max() <= 6 * ARCSEC * (1 + 1e-9)
    assert np.sqrt(np.mean(curves**2)) == pytest.approx(6 / math.sqrt(3) * ARCSEC, rel=1e-6)


def test_what_a_misalignment_costs_is_in_proportion(tmp_path: Path) -> None:
    text = f"{SHEET}lines: 512\nresolution: 26 bit\ntrack_radius: 10 mm\n"
    text += "misalignment_errors: [{of: head_tilt, at: 1 deg, error: 4 arcsec}, {of: eccentricity, at: 10 um, error: 3 arcsec}]\n"
    sensor = encoder(tmp_path, text)
    mounting = Mounting(
        eccentricity=Magnitude(Distribution("uniform", 20e-6)), head_tilt=Distribution("uniform", math.radians(0.5))
    )
    state = State.at_rest(np.zeros(1))
    actual = {t.name: math.sqrt(t.mean_square(SHAFT, state)) for t in mounting.terms(sensor, 1.0, True)}
    # waves of an amplitude uniform up to 2 and to 6 arcsec: the rms of the law, over sqrt(2) for a sine
    assert actual["stated head_tilt"] == pytest.approx(2 / math.sqrt(3) / math.sqrt(2) * ARCSEC)
    assert actual["stated eccentricity"] == pytest.approx(6 / math.sqrt(3) / math.sqrt(2) * ARCSEC)
    assert "eccentricity" not in actual  # stated once, used once


# Worked by hand from the lines of the two sheets, at the joint, in arcsec: standard deviation (mean square over a turn).
S3 = math.sqrt(3)
RING = {
    "quantisation": 1_296_000 / 2**24 / math.sqrt(12),
    "sub-divisional error": 1 / S3,                                  # 2 peak to peak: +-1
    "stated accuracy": math.sqrt(12**2 - 1**2) / S3,                 # +-12 less the part within a period
    "stated repeatability": 1.0,                                     # 3 at 3 sigma
    "eccentricity": math.hypot(
        5e-6 / 25e-3 / S3 / math.sqrt(2),                            # e/R, e uniform to 5 um, a sine
        (5e-6 / 25e-3) ** 2 / 2 / math.sqrt(5) / math.sqrt(2),       # (e/R)^2/2, E e^4 = e^4/5
    ) / ARCSEC,
    "disc tilt": math.radians(0.1) ** 2 / 4 / math.sqrt(5) / math.sqrt(2) / ARCSEC,
    "mastering": 10 / S3,
}  # fmt: skip
BEYOND, R24 = math.sqrt(12**2 - 1.5**2), 0.85 * 12e-3
DISC = {
    "quantisation": 1_296_000 / (800 * 2048) / math.sqrt(12) / 80,   # all at the shaft: a ratio of 80 divides
    "stated noise": 0.8 * math.sqrt(100 / 400) / 80,
    "stated accuracy": 36 / S3 / 80,
    "stated repeatability": math.sqrt((4 / S3) ** 2 - (0.8 * 0.5) ** 2) / 80,
    "eccentricity": math.hypot(
        BEYOND * 1e-6 / R24 / S3 / math.sqrt(2),                         # 12 um beyond the 1.5 um that are counted
        (BEYOND * 1e-6 / R24) ** 2 / 2 / math.sqrt(5) / math.sqrt(2),
    ) / ARCSEC / 80,
    "gear kinematic error": 25 / S3 / math.sqrt(2),                  # amplitude uniform to 25, a sine
    "lost motion and hysteresis": (12 - 1.5 / 80) / 2,               # the joint lags, the reading lags: the servo leads
    "mastering": 15 / S3,
}  # fmt: skip


def test_the_budget_of_the_seven_axis_arm_by_hand() -> None:
    study = armsim.load(ROOT / "scenarios" / "seven-from-sheets.yaml")
    machine = study.scenario.machine
    budgets = joint_budgets(machine, 1, np.zeros(7))
    for name, budget in budgets.items():
        expected = RING if name in ("j1", "j2", "j3", "j4") else DISC
        actual = {term.cause: term.rms / ARCSEC for term in budget.terms if term.cause != "latency"}
        assert set(actual) == set(expected)
        for cause, size in expected.items():
            assert actual[cause] == pytest.approx(size, rel=1e-6), (name, cause)
    assert budgets["j1"].resolution_bits == pytest.approx(24)
    assert budgets["j5"].step == pytest.approx(1_296_000 / 1_638_400 / 80 * ARCSEC)
    assert machine.price == 4 * 160 + 3 * 48
