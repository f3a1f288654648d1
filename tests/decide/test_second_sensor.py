"""A joint with a sensor on either side: what is chosen keeps both, prices both and is evaluated with both.

Source: every design as a change of the documents, run by itself.
"""

import itertools
import json
from pathlib import Path

import pytest
from support import invoke

import armsim

ARM = """kind: arm
name: slide and two
kinematics:
  convention: standard-dh
  joints:
    - {name: s, type: prismatic, theta: 0 deg, a: 0 mm, alpha: 90 deg, range: [0 mm, 400 mm]}
    - {name: j1, type: revolute, d: 60 mm, a: 300 mm, alpha: 0 deg}
    - {name: j2, type: revolute, d: 0 mm, a: 200 mm, alpha: 0 deg}
"""
ENCODERS = {  # name: price, bits, accuracy in arcsec
    "coarse": (9, 16, 40),
    "middle": (14, 18, 22),
    "fine": (27, 20, 9),
}
MOTOR, BOTH, OUTPUT = 12, 3, 5


def disc(name: str) -> str:
    price, bits, accuracy = ENCODERS[name]
    summary = f"{{resolution: {bits} bit, accuracy: {accuracy} arcsec, repeatability: 2 arcsec}}"
    return f"{{kind: encoder, name: {name}, measures: rotation, price: {price}, summary: {summary}}}"


TAPE = (
    "{kind: encoder, name: tape, measures: translation, price: 20, "
    "summary: {resolution: 0.1 um, accuracy: 5 um, repeatability: 0.5 um}}"
)
GEAR = "{ratio: 60, lost_motion: 20 arcsec, kinematic_error: [{per: output-turn, order: 1, amplitude: 15 arcsec}]}"
SCENARIO = f"""kind: scenario
name: two sensors
arm: arm.yaml
joints:
  s: {{encoder: {TAPE}, placement: output, mastering: 3 um}}
  j1: {{encoder: {disc("coarse")}, placement: motor, transmission: {GEAR}, mastering: 5 arcsec}}
  j2:
    encoder: {disc("coarse")}
    placement: both
    motor_encoder: {{kind: encoder, name: on the motor, measures: rotation, price: {MOTOR}, summary: {{resolution: 12 bit}}}}
    transmission: {GEAR}
    mastering: 5 arcsec
requirement: {{position: 60 um, coverage: 90 %}}
tasks:
  - kind: poses
    name: t
    poses:
      - {{name: near, joints: [100 mm, 20 deg, 90 deg]}}
      - {{name: far, joints: [300 mm, -40 deg, 10 deg]}}
sampling: {{units: 300, visits: 4, seed: 3}}
"""
CATALOGUE = f"""kind: catalogue
name: shop
placements: {{motor: 0, output: {OUTPUT}, both: {BOTH}}}
mountings: [{{name: plain}}]
limits: {{joints: {{s: {{placements: [output]}}}}}}
encoders: [{{encoder: {TAPE}}}, {", ".join(f"{{encoder: {disc(name)}}}" for name in ENCODERS)}]
"""


@pytest.mark.parametrize("position", [50, 60])
def test_the_choice_keeps_both_and_costs_both(tmp_path: Path, position: int) -> None:
    for name, text in (("arm", ARM), ("scenario", SCENARIO), ("catalogue", CATALOGUE)):
        (tmp_path / f"{name}.yaml").write_text(text)
    scenario, out = tmp_path / "scenario.yaml", tmp_path / "chosen.yaml"
    study = armsim.load(scenario).change({"requirement.position": f"{position} um"})
    admissible = []
    for first, second, placement in itertools.product(ENCODERS, ENCODERS, ("motor", "output")):
        changes = {
            "j1": {"encoder": f"catalogue.yaml#{first}", "placement": placement},
            "j2": {"encoder": f"catalogue.yaml#{second}"},
        }
        result = study.change(joints=changes).run(1)
        price = 20 + OUTPUT + ENCODERS[first][0] + (OUTPUT if placement == "output" else 0)
        price += ENCODERS[second][0] + MOTOR + BOTH
        if result.tasks[0].summary.holds:
            admissible.append((price, result.tasks[0].summary.at_coverage))
    words = ("--catalogue", tmp_path / "catalogue.yaml", "--set", f"requirement.position={position} um")
    process = invoke("select", scenario, *words, "--write", out, "--json")
    assert process.returncode in (0, 4), process.stderr
    record = json.loads(process.stdout)
    assert (record["price"], record["tasks"]["t"]["at_coverage"]) == min(admissible)
    assert sum(part["price"] for part in record["design"]) == record["price"]
    assert record["design"][2]["placement"] == "both"
    written = armsim.load(out)
    second_sensor = written.scenario.machine.joints[2].motor_encoder
    assert second_sensor is not None
    assert second_sensor.name == "on the motor"
    result = written.run(1)
    assert result.tasks[0].summary.holds
    assert result.price == record["price"]
    assert result.tasks[0].summary.at_coverage == record["tasks"]["t"]["at_coverage"]
