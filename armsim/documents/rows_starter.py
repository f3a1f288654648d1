"""A starter for the calibration of an arm of which only its rows are known."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from armsim.documents.units import read
from armsim.documents.write_overrides import yaml_line

ENCODER = """# yaml-language-server: $schema=schemas/encoder.json
# What is not known of the sensors and gears, as one summary: take the data sheet in its place.
kind: encoder
name: any sensor
measures: {measures}
summary: {{resolution: {resolution}, accuracy: {accuracy}, repeatability: {repeatability}}}
"""
SENSORS = {
    "revolute": ("encoder.yaml", "rotation", "20 bit", "60 arcsec", "5 arcsec"),
    "prismatic": ("scale.yaml", "translation", "1 um", "50 um", "2 um"),
}
"""Sensor of a joint by its type: file, what it measures, resolution, accuracy, repeatability. Common practice, no
source."""
ZEROS = {"revolute": "0.2 deg", "prismatic": "0.5 mm"}
NOTHING = {"revolute": "0 deg", "prismatic": "0 mm"}
BASE, FLANGE = {"d": "0 mm"}, {"d": "0 mm", "a": "0 mm", "alpha": "0 deg"}
"""Tolerances of rows along the first axis and of the last row: the session itself says where base and target are."""
PARALLEL = 1e-6
"""Sine of an angle below which axes count as parallel."""
CALIBRATION = """calibration:                         # armsim calibrate
  instrument:
    std: 20 um                       # of a reading along each axis; std_per_distance: 5 um/m besides
    pose: identified                 # the file stands in the frame of the instrument, which is fitted
    target: identified               # so is the place of the target on the tool
  visits: 1
  identify: {zeros: true, links: true}   # output_orders: [1] and input_orders: [1, 2] too, with more poses
"""


def starter_of_rows(arm: dict[str, Any]) -> dict[str, str]:
    """Texts of the files of a starter, by name, for an arm document of rows."""
    types = {row["name"]: row["type"] for row in arm["kinematics"]["joints"]}
    upright = _along_first_axis(arm["kinematics"])
    texts = _arm(arm, upright), _scenario(arm["name"], types, upright)
    out = {"arm.yaml": "\n".join([*texts[0], ""]), "scenario.yaml": "\n".join(texts[1])}
    for kind in dict.fromkeys(types.values()):
        file, measures, resolution, accuracy, repeatability = SENSORS[kind]
        sizes = {"resolution": resolution, "accuracy": accuracy, "repeatability": repeatability}
        out[file] = ENCODER.format(measures=measures, **sizes)
    return out


def _along_first_axis(kinematics: dict[str, Any]) -> int:
    """Number of rows, from the base on, whose axes are parallel to the first: their heights add to one."""
    sines = [abs(math.sin(read(row["alpha"], "angle"))) for row in kinematics["joints"]]
    if kinematics["convention"] == "modified-dh":  # alpha stands before the axis of its row
        sines = sines[1:]
    return 1 + next((n for n, sine in enumerate(sines) if sine > PARALLEL), len(sines))


def _arm(arm: dict[str, Any], upright: int) -> Iterator[str]:
    yield "# yaml-language-server: $schema=schemas/arm.json"
    yield "kind: arm"
    yield f"name: {yaml_line(arm['name'])}"
    yield "kinematics:"
    yield f"  convention: {arm['kinematics']['convention']}"
    yield "  joints:"
    rows = arm["kinematics"]["joints"]
    for n, row in enumerate(rows):
        tolerances = {**FLANGE} if n == len(rows) - 1 else {**BASE} if n < upright else None
        yield f"    - {yaml_line(row if tolerances is None else {**row, 'tolerances': tolerances})}"
    yield "  tool: {xyz: [0 mm, 0 mm, 0 mm], rpy: [0 deg, 0 deg, 0 deg]}"
    yield "tolerances:                          # of the built links; none at base and flange, which the session fits"
    for key, size in {"d": "0.3 mm", "a": "0.3 mm", "alpha": "1 mrad"}.items():
        yield f"  {key}: {{std: {size}, distribution: normal}}"
    yield "expansion: 23 ppm/K                  # of links of aluminium; steel 12 ppm/K: for files with a temperature"


def _scenario(name: str, types: dict[str, str], upright: int) -> Iterator[str]:
    yield "# yaml-language-server: $schema=schemas/scenario.json"
    yield "# A measured arm of which only the rows are known. What it answers are estimates, not a safety function."
    yield "kind: scenario"
    yield f"name: {yaml_line(name)}"
    yield "arm: arm.yaml"
    yield "joints:"
    for n, (joint, kind) in enumerate(types.items()):
        sensor = f"encoder: {SENSORS[kind][0]}, placement: output"
        zero = f"mastering: {{std: {ZEROS[kind]}, distribution: normal}}"
        along = n < upright and kind == "prismatic"
        if along or n in (0, len(types) - 1):  # the session says where base and target are, and how they are turned
            zero = f"mastering: {NOTHING[kind]}"
        yield f"  {yaml_line(joint)}: {{{sensor}, {zero}}}"
    yield CALIBRATION.rstrip("\n")
    yield "tasks:"
    yield "  - {kind: cloud, name: workspace, points: 40}"
    yield "sampling: {units: 200, visits: 5, seed: 1}"
    yield ""
