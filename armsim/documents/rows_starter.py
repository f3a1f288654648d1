"""Starter files for the calibration of an arm of which only the Denavit-Hartenberg rows are known."""

from __future__ import annotations

from collections.abc import Iterator, Set
from typing import Any

from armsim.documents.absorbed_rows import ROW_CONSTANTS, Parameter, absorbed_parameters
from armsim.documents.write_overrides import yaml_line

ENCODER = """# yaml-language-server: $schema=schemas/encoder.json
# One summary for what is not known of sensors and gears; replace it by the data sheet.
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
ZERO_SPREADS = {"revolute": "0.2 deg", "prismatic": "0.5 mm"}
NO_ZERO_ERROR = {"revolute": "0 deg", "prismatic": "0 mm"}
NO_TOLERANCE = {"d": "0 mm", "a": "0 mm", "alpha": "0 deg"}
"""Zeros and tolerances of parameters that the session cannot tell from its frame or target."""
CALIBRATION = """calibration:                         # armsim calibrate
  instrument:
    std: 20 um                       # of a reading along each axis; std_per_distance: 5 um/m besides
    pose: identified                 # the file is in the frame of the instrument, which is fitted
    target: identified               # so is the place of the target on the tool
  visits: 1
  identify: {zeros: true, links: true}   # output_orders: [1] and input_orders: [1, 2] too, with more poses
"""


def rows_starter_files(arm: dict[str, Any]) -> dict[str, str]:
    """Texts of the starter files by file name, for an arm document with Denavit-Hartenberg rows."""
    types = {row["name"]: row["type"] for row in arm["kinematics"]["joints"]}
    absorbed_zeros = absorbed_parameters(arm["kinematics"])
    texts = _arm(arm, absorbed_zeros), _scenario(arm["name"], types, absorbed_zeros)
    out = {"arm.yaml": "\n".join([*texts[0], ""]), "scenario.yaml": "\n".join(texts[1])}
    for kind in dict.fromkeys(types.values()):
        file, measures, resolution, accuracy, repeatability = SENSORS[kind]
        sizes = {"resolution": resolution, "accuracy": accuracy, "repeatability": repeatability}
        out[file] = ENCODER.format(measures=measures, **sizes)
    return out


def _arm(arm: dict[str, Any], absorbed_zeros: Set[Parameter]) -> Iterator[str]:
    yield "# yaml-language-server: $schema=schemas/arm.json"
    yield "kind: arm"
    yield f"name: {yaml_line(arm['name'])}"
    yield "kinematics:"
    yield f"  convention: {arm['kinematics']['convention']}"
    yield "  joints:"
    for row in arm["kinematics"]["joints"]:
        tolerances = {key: NO_TOLERANCE[key] for key in ROW_CONSTANTS if (row["name"], key) in absorbed_zeros}
        if row["type"] == "prismatic":  # its d is its zero, which the scenario states
            tolerances = {"d": NO_TOLERANCE["d"], **tolerances}
        yield f"    - {yaml_line({**row, 'tolerances': tolerances} if tolerances else row)}"
    yield "  tool: {xyz: [0 mm, 0 mm, 0 mm], rpy: [0 deg, 0 deg, 0 deg]}"
    yield "tolerances:                          # of the built links; none where the session fits frame and target"
    for key, size in {"d": "0.3 mm", "a": "0.3 mm", "alpha": "1 mrad"}.items():
        yield f"  {key}: {{std: {size}, distribution: normal}}"
    yield "expansion: 23 ppm/K                  # of links of aluminium; steel 12 ppm/K: for files with a temperature"


def _scenario(name: str, types: dict[str, str], absorbed_zeros: Set[Parameter]) -> Iterator[str]:
    yield "# yaml-language-server: $schema=schemas/scenario.json"
    yield "# A measured arm of which only the rows are known. Its results are estimates, not a safety function."
    yield "kind: scenario"
    yield f"name: {yaml_line(name)}"
    yield "arm: arm.yaml"
    yield "joints:"
    for joint, kind in types.items():
        sensor = f"encoder: {SENSORS[kind][0]}, placement: output"
        zero = f"mastering: {{std: {ZERO_SPREADS[kind]}, distribution: normal}}"
        if (joint, "zero") in absorbed_zeros:  # the session says where base and target are, and how they are turned
            zero = f"mastering: {NO_ZERO_ERROR[kind]}"
        yield f"  {yaml_line(joint)}: {{{sensor}, {zero}}}"
    yield CALIBRATION.rstrip("\n")
    yield "tasks:"
    yield "  - {kind: cloud, name: workspace, points: 40}"
    yield "sampling: {units: 200, visits: 5, seed: 1}"
    yield ""
