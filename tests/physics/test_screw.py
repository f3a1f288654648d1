"""A rotary sensor on the motor of a slide: screw, rack and belt, against a simulated drive.

The simulation turns an eccentric disc by exact geometry, closes the loop on its reading and moves a nut on a screw whose
lead is off, wobbles and grows; it shares no code with the product. Source of the geometry: plane geometry, by hand.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from support import invoke

import armsim

ARM = """kind: arm
name: slide
kinematics:
  convention: standard-dh
  joints: [{name: lift, type: prismatic, theta: 0 deg, a: 0 mm, alpha: 0 deg, offset: 0 mm, range: [0 mm, 400 mm]}]
masses: {links: {lift: {mass: 4 kg}}}
"""
ENCODER = """kind: encoder
name: disc
measures: rotation
signal_periods: 1024
interpolation: 12 bit
track_radius: 12 mm
price: 10
"""
LINEAR = (
    ENCODER.replace("rotation", "translation")
    .replace("signal_periods: 1024", "signal_period: 20 um")
    .replace("track_radius: 12 mm\n", "")
)
POSITIONS = (0.0, 0.0537, 0.2113, 0.4)
DRIVE = "lead: 10 mm, ratio: 3"


def write(folder: Path, transmission: str, joint: str = "", rise: str = "0 K", encoder: str = ENCODER) -> Path:
    (folder / "arm.yaml").write_text(ARM)
    (folder / "disc.yaml").write_text(encoder)
    poses = ", ".join(f"{{name: p{n}, joints: [{1e3 * x} mm]}}" for n, x in enumerate(POSITIONS))
    path = folder / "scenario.yaml"
    path.write_text(
        "kind: scenario\nname: slide\narm: arm.yaml\n"
        f"joints:\n  lift: {{encoder: disc.yaml, placement: motor, transmission: {{{transmission}}}{joint}}}\n"
        f"environment: {{temperature_rise: {{mean: {rise}, limit: 1 K}}}}\n"
        f"tasks: [{{kind: poses, name: t, poses: [{poses}]}}]\nsampling: {{units: 4000, visits: 4, seed: 3}}\n"
    )
    return path


def simulated_rms(seed: int, turns_per_metre: float, gear: float, **sizes: float) -> np.ndarray:
    """Root mean square of the error of the nut at the positions, over 40000 drives. [m]"""
    rng = np.random.default_rng(seed)
    n, lead = 40_000, 1.0 / turns_per_metre
    uniform = {name: rng.uniform(-size, size, n) for name, size in sizes.items()}
    zero = np.zeros(n)
    eccentricity, direction = np.abs(uniform.get("eccentricity", zero)), rng.uniform(0, 2 * np.pi, n)
    wave, phase = np.abs(uniform.get("wave", zero)), rng.uniform(0, 2 * np.pi, n)
    slope, zero_error = uniform.get("slope", zero), uniform.get("mastering", zero)
    rise = sizes.get("rise", 0.0) and sizes["rise"] + rng.uniform(-1.0, 1.0, n)
    lost = 0.5 * sizes.get("lost_motion", 0.0) * rng.choice([-1.0, 1.0], n)
    out = []
    for x in POSITIONS:
        command = 2 * np.pi * x * turns_per_metre * gear
        motor = np.full(n, command)
        for _ in range(20):  # the loop settles where the reading equals the command
            t = motor - direction
            motor = command - np.arctan2(eccentricity * np.sin(t), 0.012 - eccentricity * np.cos(t))
        screw = motor / gear
        nut = lead * screw / (2 * np.pi) * (1 + slope) + wave * np.sin(screw - phase) + zero_error + lost
        nut += sizes.get("expansion", 0.0) * rise * (x - sizes.get("fixed", 0.0))
        out.append(np.sqrt(np.mean((nut - x) ** 2)))
    return np.array(out)


CASES = {
    "eccentric disc": (DRIVE, ", mounting: {eccentricity: 20 um}", {"eccentricity": 20e-6}),
    "wobbling screw": (
        f"{DRIVE}, kinematic_error: [{{per: output-turn, order: 1, amplitude: 6 um}}]",
        "",
        {"wave": 6e-6},
    ),
    "lead error": (f"{DRIVE}, lead_error: 40 um/m", "", {"slope": 40e-6}),
    "growth": (
        f"{DRIVE}, expansion: 11.5 um/m/K, fixed_bearing: 400 mm",
        "",
        {"rise": 6.0, "expansion": 11.5e-6, "fixed": 0.4},
    ),
    "backlash": (f"{DRIVE}, lost_motion: 9 um", "", {"lost_motion": 9e-6}),
    "zero": (DRIVE, ", mastering: 12 um", {"mastering": 12e-6}),
    "rack": ("pinion_radius: 20 mm, ratio: 5", ", mounting: {eccentricity: 20 um}", {"eccentricity": 20e-6}),
}


@pytest.mark.parametrize("case", CASES)
def test_the_error_is_that_of_a_simulated_drive(tmp_path: Path, case: str) -> None:
    transmission, joint, sizes = CASES[case]
    result = armsim.load(write(tmp_path, transmission, joint, f"{sizes.get('rise', 0.0)} K")).run()
    turns, gear = (1 / (2 * np.pi * 0.020), 5.0) if case == "rack" else (100.0, 3.0)
    expected = simulated_rms(1, turns, gear, **sizes)
    rms = result.task("t").column("error.rms")
    # 4000 arms of a bounded law: the mean square is known to 2 %, the rms to 1 %, thrice that; 2 nm is a step
    assert rms == pytest.approx(expected, rel=0.04, abs=4e-9)


def test_wind_up_is_load_over_stiffness(tmp_path: Path) -> None:
    """4 kg on 2 N/um sag by 4 * 9.80665 / 2e6 m. Source: Hooke's law, by hand."""
    result = armsim.load(write(tmp_path, f"{DRIVE}, stiffness: 2 N/um")).run()
    assert result.task("t").poses[0].error.mean[2] == pytest.approx(-4 * 9.80665 / 2e6, rel=1e-3)


def test_a_sensor_on_the_slide_has_none_of_it(tmp_path: Path) -> None:
    """A linear scale closes the loop over the screw, whose errors are then inside it."""
    path = write(tmp_path, f"{DRIVE}, lead_error: 100 um/m, lost_motion: 30 um", encoder=LINEAR)
    path.write_text(path.read_text().replace("placement: motor", "placement: output"))
    result = armsim.load(path).run()
    assert result.task("t").column("error.rms").max() < 10e-9


WRONG = (
    ("lead: 0 mm, ratio: 3", "", "lead", "too small"),
    ("lead: 10 mm, pinion_radius: 5 mm", "", "pinion_radius", "beside a lead"),
    ("lead_error: 10 um/m", "", "encoder", "measures rotation, joint lift is prismatic"),
    (f"{DRIVE}, type: planetary", "", "type", "a gear at the prismatic joint lift"),
    (
        f"{DRIVE}, kinematic_error: [{{per: output-turn, order: 1, amplitude: 9 arcsec}}]",
        "",
        "amplitude",
        "angle where length",
    ),
    ("lead: -10 mm", "", "lead", "too small"),
    (DRIVE, ", mounting: {abbe_offset: 20 mm}", "abbe_offset", "abbe_offset"),
)


@pytest.mark.parametrize(("transmission", "joint", "key", "finding"), WRONG)
def test_wrong_input_is_named(tmp_path: Path, transmission: str, joint: str, key: str, finding: str) -> None:
    process = invoke("check", write(tmp_path, transmission, joint))
    assert process.returncode == 2
    line = process.stderr.splitlines()[0]
    assert key in line
    assert finding in line, line


def test_a_screw_needs_a_slide(tmp_path: Path) -> None:
    path = write(tmp_path, "lead: 10 mm")
    text = ARM.replace("type: prismatic, theta: 0 deg", "type: revolute, d: 0 mm").replace(
        "offset: 0 mm", "offset: 0 deg"
    )
    (tmp_path / "arm.yaml").write_text(text.replace("[0 mm, 400 mm]", "[0 deg, 90 deg]"))
    path.write_text(path.read_text().replace(" mm]}", " deg]}"))
    process = invoke("check", path)
    assert process.returncode == 2
    assert "transmission.lead: lead at the revolute joint lift" in process.stderr
