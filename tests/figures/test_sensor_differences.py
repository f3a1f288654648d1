"""The difference of two sensors in figure, table and document, from results alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support import ROOT

import armsim
from armsim import figures
from armsim.figures.style import Drawing
from armsim.report.run_review import run_review
from armsim.report.two_sensor_tables import two_sensors_frame
from armsim.results import Result, SensorDifference

SCENARIOS = ROOT / "scenarios"


@pytest.fixture(scope="module")
def result() -> Result:
    return armsim.load(SCENARIOS / "coupled-six.yaml").with_plan(units=30, visits=3).run(1)


def changed(result: Result, joint: str, **fields: object) -> Result:
    pair = result.two_sensors[joint]
    difference: SensorDifference = replace(pair.difference, **fields)  # type: ignore[arg-type]
    return replace(result, two_sensors={**result.two_sensors, joint: replace(pair, difference=difference)})


def picture(result: Result) -> Drawing:
    return figures.sensor_differences(result, figures.identical_pairs(result))


def test_the_title_is_the_finding(result: Result) -> None:
    """Of the joint with the plainest step; a turn of the motor that does not show comes first."""
    assert "lost motion 30.0 arcsec" in picture(result).finding
    finding = picture(changed(result, "j2", width=4e-4)).finding
    assert finding.startswith("j2: lost motion 82.5 arcsec")
    hidden = changed(result, "j3", motor_turn=1e-4, motor_turn_shows=False)
    assert "one turn of the motor of j3 (20.6 arcsec) is not detectable" in picture(hidden).finding
    none = result
    for joint in result.two_sensors:
        none = changed(none, joint, width=0.0)
    assert "no lost motion; " in picture(none).finding


def test_there_and_back_stand_a_step_apart(result: Result) -> None:
    """Lines or, of waves too short for the points, envelopes; the hover texts hold both."""
    figure = picture(result)
    figure.canvas.draw()
    panels = [axes for axes in figure.axes if axes.get_title("left")]
    assert len(panels) == 3
    for axes, pair in zip(panels, result.two_sensors.values(), strict=True):
        band, forth, back = (collection.get_paths()[0].vertices for collection in axes.collections)
        arcsec = np.degrees(1) * 3600
        assert forth[:, 1].max() - back[:, 1].max() == pytest.approx(30.0)
        assert forth[:, 1].max() == pytest.approx(
            (max(pair.difference.curve.envelope_high) + 0.5 * pair.difference.width) * arcsec
        )
        assert band[:, 1].max() == pytest.approx(
            (max(pair.difference.curve.high) + 0.5 * pair.difference.width) * arcsec
        )
        assert back[:, 1].min() >= axes.get_ylim()[0]
    assert any("arcsec forward" in text and "arcsec backward" in text for _, _, text in figure.spots)


def test_the_table_has_a_row_for_joints_that_are_alike(result: Result) -> None:
    rows = [[cell.text for cell in row] for row in two_sensors_frame(result.two_sensors).rows]
    assert [
        "j1, j2, j3",
        "difference of the two readings: step at a reversal",
        "lost motion and hysteresis",
        "30.0 arcsec",
        "–",
        "–",
    ] in rows
    assert ["j1, j2, j3", "slip of one turn of the motor", "detectable", "3.00 deg", "–", "–"] in rows
    other = changed(result, "j2", width=4e-4, motor_turn_shows=False)
    rows = [[cell.text for cell in row] for row in two_sensors_frame(other.two_sensors).rows]
    assert [
        "j1, j3",
        "difference of the two readings: step at a reversal",
        "lost motion and hysteresis",
        "30.0 arcsec",
        "–",
        "–",
    ] in rows
    assert ["j2", "slip of one turn of the motor", "not detectable", "3.00 deg", "–", "–"] in rows


def test_the_document_has_table_and_figure_where_there_are_two(result: Result) -> None:
    review = run_review(result, ())
    (section,) = (section for section in review.sections if section.anchor == "two-sensors")
    assert "step between the directions" in str(section.blocks)
    (planned,) = (planned for planned in review.figures if planned.anchor == "two-sensors")
    assert planned.name == "two-sensors"
    assert "a slip shifts both out of the band" in planned.caption
    without = replace(result, two_sensors={})
    review = run_review(without, ())
    assert not [section for section in review.sections if section.anchor == "two-sensors"]
    assert not [planned for planned in review.figures if planned.anchor == "two-sensors"]


def test_joints_that_are_alike_share_a_panel_and_many_take_several_figures(result: Result) -> None:
    pair = result.two_sensors["j1"]
    alike = replace(result, two_sensors={"a": pair, "b": pair})
    (axes,) = picture(alike).axes
    assert axes.get_title("left").startswith("a, b: ")
    many = {f"j{n}": replace(pair, speed_sensor=f"s{n}") for n in range(13)}
    review = run_review(replace(result, two_sensors=many), ())
    names = [planned.name for planned in review.figures if planned.anchor == "two-sensors"]
    assert names == ["two-sensors", "two-sensors-2"]
