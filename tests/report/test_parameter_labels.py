"""Labels of numbers: words for every path that a machine has."""

from __future__ import annotations

from pathlib import Path

import pytest

import armsim
from armsim.model.parameters import stated_numbers
from armsim.report.parameter_labels import parameter_label

ROOT = Path(__file__).parents[2]
LABELS = {
    "joints.j2.transmission.kinematic_error.0.amplitude": "j2, gear: kinematic error, wave 1, amplitude",
    "joints.j2.encoder.track_radius": "j2, encoder: track radius",
    "joints.j2.mastering": "j2: mastering",
    "joints.base.turn.mounting.eccentricity": "base.turn, mounting: eccentricity",
    "joints.base.mastering.mean": "base, mastering: mean",
    "environment.temperature_rise.mean": "environment: temperature rise, mean",
    "link j2.d": "j2, link: d",
    "link j2.alpha.limit": "j2, link: alpha, limit",
}


@pytest.mark.parametrize("path", LABELS)
def test_a_label_is_in_words(path: str) -> None:
    assert parameter_label(path, ["j1", "j2", "base", "base.turn"]) == LABELS[path]


@pytest.mark.parametrize("name", ["bonding-cell", "track-cell", "seven-from-sheets", "every-task"])
def test_labels_are_words_and_tell_the_numbers_apart(name: str) -> None:
    machine = armsim.load(ROOT / "scenarios" / f"{name}.yaml").scenario.machine
    labels = [
        parameter_label(number.path, [joint.name for joint in machine.joints]) for number in stated_numbers(machine)
    ]
    assert len(set(labels)) == len(labels)
    assert not [label for label in labels if "_" in label or "." in label]
