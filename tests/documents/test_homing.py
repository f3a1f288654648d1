"""The error of a reference run: what enters, where, and what cannot be stated."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from armsim.decide.designs import search_notes
from armsim.decide.select import select
from armsim.documents.load import load_options, load_scenario
from armsim.errors import InputError
from armsim.inspection.data_sheet import absent_causes
from armsim.model.installation import SensorNeeds
from armsim.model.unmet_needs import unmet_needs
from armsim.study import Study

LESSON = Path(__file__).parents[2] / "scenarios" / "lessons" / "homing.yaml"
ENCODER = "{{kind: encoder, name: {name}, measures: rotation, signal_periods: 512, interpolation: 30 bit, {keys}}}"


def lesson(tmp_path: Path, function: str = "incremental with index") -> Path:
    """The lesson with another function of its encoder."""
    text = LESSON.read_text().replace("../../", f"{LESSON.parents[2]}/")
    assert "function: incremental with index" in text
    path = tmp_path / "scenario.yaml"
    path.write_text(text.replace("function: incremental with index", f"function: {function}"))
    return path


def test_a_reference_run_at_the_motor_is_divided_by_the_gear() -> None:
    """Uniform within +-e at the shaft: e / sqrt(3) / ratio at the joint, all of it accuracy. Source: JCGM 100:2008,
    4.3.7, for the standard uncertainty of +-e."""
    machine = load_scenario(LESSON).machine
    (term,) = [term for term in machine.terms if term.cause.name == "homing"]
    assert term.life == "unit"
    (joint,) = machine.joints
    assert joint.ratio == 100
    pose = Study(load_scenario(LESSON)).with_plan(units=20_000, visits=2).run().tasks[0].poses[0]
    expected = np.radians(1000 / 3600) / np.sqrt(3) / 100 * 0.5
    assert pose.error.rms == pytest.approx(expected, rel=4 / np.sqrt(20_000))
    assert pose.repeatability.p95 < 1e-3 * expected


@pytest.mark.parametrize("function", ["absolute single-turn", "absolute multi-turn"])
def test_an_absolute_encoder_makes_no_reference_run(tmp_path: Path, function: str) -> None:
    with pytest.raises(InputError, match=f"homing: .*an encoder whose function is {function}"):
        load_scenario(lesson(tmp_path, function))


def test_a_track_that_identifies_the_period_makes_an_encoder_absolute(tmp_path: Path) -> None:
    """Where no function is stated: for what it may state, and for what a joint needs. One judgement serves both."""
    path = lesson(tmp_path)
    text, function = path.read_text(), "function: incremental with index"
    with_track = "absolute: {radius: 8 mm, periods: 511}"
    assert text.count(function) == 1
    path.write_text(text.replace(function, with_track))
    with pytest.raises(InputError, match=r"homing: .*an encoder whose function is absolute single-turn, by its track"):
        load_scenario(path)
    path.write_text(text.replace(", homing: 1000 arcsec", "").replace(function, with_track))
    encoder = load_scenario(path).machine.joints[0].encoder
    assert encoder.function == "absolute single-turn"
    assert not encoder.needs_reference_run
    assert not unmet_needs(SensorNeeds(absolute="single-turn"), encoder)
    assert unmet_needs(SensorNeeds(absolute="multi-turn"), encoder) == ["absolute multi-turn needed"]


def test_a_sheet_that_does_not_state_it_says_so() -> None:
    """Of an incremental encoder alone."""
    encoder = load_scenario(LESSON).machine.joints[0].encoder
    assert "homing" not in absent_causes(encoder)
    silent = replace(encoder, homing=type(encoder)("", "rotation").homing)
    assert "homing" in absent_causes(silent)
    absolute = replace(silent, functions=replace(silent.functions, function="absolute single-turn"))
    assert "homing" not in absent_causes(absolute)


def test_a_choice_counts_it_and_tells_what_states_none(tmp_path: Path) -> None:
    """An index that is found badly costs the cheaper encoder the requirement. Source: the runs of the two designs."""
    scenario = lesson(tmp_path)
    with scenario.open("a") as file:
        file.write("requirement: {position: 15 um, coverage: 95 %}\n")
    bad = ENCODER.format(name="late index", keys="function: incremental with index, homing: 1000 arcsec, price: 5")
    good = ENCODER.format(name="absolute", keys="function: absolute single-turn, price: 9")
    silent = ENCODER.format(name="silent index", keys="function: incremental with index, price: 20")
    rows = "".join(f"  - {{encoder: {encoder}}}\n" for encoder in (bad, good, silent))
    (tmp_path / "catalogue.yaml").write_text(
        "kind: catalogue\nname: three\nplacements: {motor: 0}\nmountings: [{name: plain, price: 0}]\nencoders:\n" + rows
    )
    ready, options = load_options(scenario, tmp_path / "catalogue.yaml")
    selection = select(Study(ready).with_plan(units=500, visits=2), options)
    assert selection.price == 9
    notes = list(search_notes(options, 1))
    assert notes[1].endswith("taken as exact: silent index")
