"""A whole that a sheet states holds its parts, and what is stated once is used once.

Source of the expected values: discs drawn in this file, read in the plane by arctangent, without a term of the package.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from support import ROOT, invoke

import armsim
from armsim.documents import check_file
from armsim.errors import InputError

ARCSEC = math.pi / 648_000
SHEET = "kind: encoder\nname: s\nmeasures: rotation\nresolution: 30 bit\n"
UNITS = 40_000


def accepted(tmp_path: Path, lines: str) -> str:
    """Message of a sheet; empty where it is taken."""
    path = tmp_path / "encoder.yaml"
    path.write_text(SHEET + lines)
    try:
        check_file(path)
    except InputError as error:
        return "\n".join(str(problem) for problem in error.problems)
    return ""


def disc(offset: float, radius: float) -> np.ndarray:
    """Error over a turn of a head that reads a disc off its shaft. [arcsec]"""
    turn = np.linspace(0, 2 * np.pi, 3600, endpoint=False)
    return np.arctan2(offset * np.sin(turn), radius - offset * np.cos(turn)) / ARCSEC


@pytest.mark.parametrize(
    ("lines", "case_message"),
    [
        ("track_radius: 20 mm\nsummary: {mounted_with: {eccentricity: 20 um}}", "without an accuracy"),
        ("summary: {accuracy: 20 arcsec, mounted_with: {eccentricity: 1 um}}", "without the radius"),
        (
            "track_radius: 20 mm\nsummary: {accuracy: 20 arcsec, mounted_with: {disc_tilt: 1 deg, ellipticity: 9 um}}",
            "up to",
        ),
    ],
)
def test_a_mounting_needs_an_accuracy_that_holds_it(tmp_path: Path, lines: str, case_message: str) -> None:
    message = accepted(tmp_path, lines)
    assert "summary.mounted_with" in message
    assert case_message in message
    assert "encoder.yaml:" in message


@pytest.mark.parametrize("radius", [0.02, 0.007])
@pytest.mark.parametrize("law", ["uniform", "triangular", "fixed"])
def test_the_accuracy_holds_every_disc_that_is_mounted_so(tmp_path: Path, radius: float, law: str) -> None:
    """The refusal begins where discs of the stated mounting err by more than the accuracy, in size or in mean square."""
    worst = np.abs(disc(10e-6, radius)).max()
    rng = np.random.default_rng(1)
    unit = {"uniform": rng.uniform(-1, 1, UNITS), "triangular": rng.triangular(-1, 0, 1, UNITS), "fixed": np.ones(1)}
    square = 0.5 * worst**2 * np.mean(unit[law] ** 2)  # a sine, to a thousandth
    least = max(worst, math.sqrt(3 * square))  # a uniform accuracy +-a has the rms a / sqrt(3)
    for share in (0.97, 1.03):
        lines = f"track_radius: {radius * 1e3} mm\nsummary: {{accuracy: {share * least:.4f} arcsec, "
        lines += f"mounted_with: {{eccentricity: {{limit: 10 um, distribution: {law}}}}}}}"
        message = accepted(tmp_path, lines)
        assert bool(message) == (share < 1), message
        if message:
            assert f"{worst:.3g} arcsec" in message
            assert f"{share * least:.3g} arcsec" in message


def test_parts_of_every_kind_add_up(tmp_path: Path) -> None:
    """+-120 arcsec hold an eccentricity of +-103 arcsec, or a graduation of +-110, and not both."""
    ecc, written = "mounted_with: {eccentricity: {limit: 10 um, distribution: fixed}}", "graduation_error: 110 arcsec\n"
    head = "track_radius: 20 mm\n"
    for accuracy, parts in ((135, (ecc,)), (120, (written,)), (180, (ecc, written))):
        for share, good in ((1.0, True), (0.9, False)):
            inner = f"accuracy: {share * accuracy} arcsec" + (f", {ecc}" if ecc in parts else "")
            message = accepted(tmp_path, head + (written if written in parts else "") + f"summary: {{{inner}}}\n")
            assert (message == "") == good, (accuracy, share, message)


def test_a_law_without_bounds_is_held_by_its_mean_square(tmp_path: Path) -> None:
    """10 um on 20 mm are +-103.1 arcsec, 42.1 rms: an accuracy of 50 arcsec rms holds them, one of 40 does not."""
    for size, good in ((50, True), (40, False)):
        lines = f"track_radius: 20 mm\nsummary: {{accuracy: {size} arcsec rms, mounted_with: {{eccentricity: 10 um}}}}"
        assert (accepted(tmp_path, lines) == "") == good


LEVER = """kind: scenario
name: lever
arm: {arm}
joints:
  j1:
    encoder: {{kind: encoder, name: s, measures: rotation, resolution: 30 bit, track_radius: 20 mm, {sheet}}}
    placement: output
    mounting: {{{mounting}}}
tasks: [{{kind: poses, name: lever, poses: [{{name: out, joints: [{turn} deg]}}]}}]
sampling: {{units: 20000, visits: 2, seed: 3}}
"""


def at_the_tool(tmp_path: Path, sheet: str, mounting: str, turn: float = 0.0) -> tuple[float, float, float]:
    """95 % and rms of the error of a lever of 500 mm, and half the interval of the former. [um]"""
    path = tmp_path / "lever.yaml"
    arm = ROOT / "configs" / "arms" / "one-link.yaml"
    path.write_text(LEVER.format(arm=arm, sheet=sheet, mounting=mounting, turn=turn))
    error = armsim.run(path).tasks[0].poses[0].error
    low, high = error.p95_interval
    return 1e6 * error.p95, 1e6 * error.rms, 1e6 * (high - low)


@pytest.mark.parametrize("turn", [0.0, 37.0])
@pytest.mark.parametrize("sheet", ["read_heads: 1", "read_heads: 2, corrections: {eccentricity: 50 %}"])
def test_a_stated_eccentricity_takes_the_place_of_the_geometry(tmp_path: Path, sheet: str, turn: float) -> None:
    """103.13 arcsec at 10 um are e/R of 20 mm: stated or from geometry, the arms err alike.

    Simulated: discs off by a uniform offset in any direction, read by arctangent. What the sheet states after its own
    two heads or correction is not corrected again.
    """
    rng = np.random.default_rng(2)
    offset, phase = rng.uniform(-20e-6, 20e-6, UNITS), rng.uniform(0, 2 * np.pi, UNITS)
    error = 0.5e6 * np.arctan2(offset * np.sin(phase), 0.02 - offset * np.cos(phase))
    p95, rms = np.quantile(np.abs(error), 0.95), math.sqrt(np.mean(error**2))
    stated_value = "misalignment_errors: [{of: eccentricity, at: 10 um, error: 103.13 arcsec}], " + sheet
    for words in (stated_value, "read_heads: 1"):
        found95, actual, interval = at_the_tool(tmp_path, words, "eccentricity: 20 um", turn)
        assert found95 == pytest.approx(p95, abs=interval + 0.01 * p95)  # 40 000 discs: half a per cent
        assert actual == pytest.approx(rms, rel=0.02)


def test_a_sheet_that_states_what_is_left_gets_no_geometry_on_top(tmp_path: Path) -> None:
    """3 arcsec at 10 um: of 20 um uniform, in any direction, waves of up to 6 arcsec at 500 mm, where e/R makes 409 um."""
    rng = np.random.default_rng(3)
    wave = 0.5e6 * 0.3 * ARCSEC * rng.uniform(0, 20, UNITS) * np.sin(rng.uniform(0, 2 * np.pi, UNITS))
    sheet = "misalignment_errors: [{of: eccentricity, at: 10 um, error: 3 arcsec}]"
    found95, rms, interval = at_the_tool(tmp_path, sheet, "eccentricity: 20 um")
    assert found95 == pytest.approx(np.quantile(np.abs(wave), 0.95), abs=interval + 0.1)
    assert rms == pytest.approx(math.sqrt(np.mean(wave**2)), rel=0.02)


def test_a_stated_tilt_takes_the_place_of_the_geometry(tmp_path: Path) -> None:
    """1 deg of tilt is g^2/4 = 76.2 urad by geometry; a sheet that states 2 arcsec at 1 deg has 2 arcsec: 4.85 um."""
    sheet = "misalignment_errors: [{of: disc_tilt, at: 1 deg, error: 2 arcsec}]"
    _, rms, _ = at_the_tool(tmp_path, sheet, "disc_tilt: {limit: 1 deg, distribution: fixed}")
    assert rms == pytest.approx(0.5e6 * 2 * ARCSEC / math.sqrt(2), rel=0.02)  # a wave of 2 arcsec, rms of a sine


def test_what_an_accuracy_holds_is_taken_off_a_stated_eccentricity(tmp_path: Path) -> None:
    """4 um beyond 3 of 5, in proportion: waves of 1.2 arcsec beside an accuracy of +-2 arcsec, 2/sqrt(3) rms."""
    sheet = (
        "misalignment_errors: [{of: eccentricity, at: 10 um, error: 3 arcsec}], "
        "summary: {accuracy: 2 arcsec, mounted_with: {eccentricity: {limit: 3 um, distribution: fixed}}}"
    )
    _, rms, _ = at_the_tool(tmp_path, sheet, "eccentricity: {limit: 5 um, distribution: fixed}")
    assert rms == pytest.approx(0.5e6 * ARCSEC * math.hypot(1.2 / math.sqrt(2), 2 / math.sqrt(3)), rel=0.02)


def test_check_says_that_the_statement_counts(tmp_path: Path) -> None:
    path = tmp_path / "encoder.yaml"
    path.write_text(
        SHEET + "track_radius: 20 mm\nmisalignment_errors: [{of: eccentricity, at: 10 um, error: 3 arcsec}]\n"
    )
    out = " ".join(invoke("check", path).stdout.split())
    assert "eccentricity as the sheet states" in out
    assert "geometry not added" in out


def test_a_statement_that_is_made_twice_is_refused(tmp_path: Path) -> None:
    entry = "{of: eccentricity, at: 10 um, error: 3 arcsec}"
    assert "twice" in accepted(tmp_path, f"track_radius: 20 mm\nmisalignment_errors: [{entry}, {entry}]\n")


def test_a_review_does_not_call_what_is_stated_idle(tmp_path: Path) -> None:
    from armsim.report.boilerplate import model_texts

    path = tmp_path / "lever.yaml"
    sheet = "misalignment_errors: [{of: disc_tilt, at: 1 deg, error: 2 arcsec}]"
    arm = ROOT / "configs" / "arms" / "one-link.yaml"
    path.write_text(LEVER.format(arm=arm, sheet=sheet, mounting="disc_tilt: 1 deg", turn=0))
    text = " ".join(model_texts(armsim.load(path).with_plan(units=128, visits=2).run(1)))
    assert "disc tilt" in text.partition("Stated, and")[0]
    assert "disc tilt" not in text.partition("Stated, and")[2]
