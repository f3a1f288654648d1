"""Gear, placement and servo against a simulated joint that is driven until the encoder reads the command."""

import math
from dataclasses import replace

import numpy as np
import pytest
from support import curve

from armsim.errormodel.distributions import Distribution, Magnitude
from armsim.model.encoder import Encoder
from armsim.model.gears import TYPICAL_GEARS
from armsim.model.joint import Joint
from armsim.model.mounting import Mounting
from armsim.model.transmission import Harmonic, Transmission
from armsim.physics.gear import kinematic_error, reversal

FIXED = "fixed"


def test_kinematic_error_orders() -> None:
    """Source: brute force: a wave of 3 periods per input turn, seen from the output of a 50:1 gear."""
    output = np.linspace(0, 2 * np.pi, 2001)
    motor = 50 * output
    terms = kinematic_error(Distribution(FIXED, 1e-4), 3, shaft_turns_per_joint_turn=50, phase=0.0)
    np.testing.assert_allclose(curve(terms, output), 1e-4 * np.sin(3 * motor), atol=1e-14)
    terms = kinematic_error(Distribution(FIXED, 1e-4), 3, phase=0.3)
    np.testing.assert_allclose(curve(terms, output), 1e-4 * np.sin(3 * output - 0.3), atol=1e-14)


def test_lost_motion_rests_on_either_side() -> None:
    (term,) = reversal(2e-4)
    draws = term.draw(np.random.default_rng(0), 10_000) * term.acts[0].shape.gain
    assert set(np.unique(draws)) == {-1e-4, 1e-4}
    assert abs(draws.mean()) < 4 * 1e-4 / 100
    assert term.life == "visit"


def simulated_joint(
    command: np.ndarray, placement: str, e: float, radius: float, ratio: float, gear: float
) -> np.ndarray:
    """Joint angle reached when the servo has made the reading equal the command.

    The disc sits on the motor or on the output; the gear adds a wave of two periods per motor turn at the output.
    """

    def disc(shaft: np.ndarray) -> np.ndarray:
        on_disc = (radius - e * np.exp(1j * shaft)) * np.exp(-1j * shaft)
        return shaft - np.angle(on_disc * np.exp(1j * shaft))

    def output(motor: np.ndarray) -> np.ndarray:
        return motor / ratio + gear * np.sin(2 * motor)

    motor = ratio * command
    for _ in range(200):
        if placement == "motor":
            motor = motor + (ratio * command - disc(motor))
        else:
            motor = motor + 0.5 * ratio * (command - disc(output(motor)))
    return output(motor)


@pytest.mark.parametrize("placement", ["motor", "output"])
def test_servo_loop_with_encoder_on_either_side(placement: str) -> None:
    """The same encoder on the motor of a 100:1 gear contributes 1/100 of its error plus the whole of the gear's; on the
    output the gear vanishes. Source: brute force."""
    e, radius, ratio, gear = 20e-6, 10e-3, 100.0, 50e-6
    joint = Joint(
        "j",
        Encoder("disc", signal_periods=4096, interpolation=30, track_radius=radius),
        placement=placement,  # type: ignore[arg-type]
        mounting=Mounting(Magnitude(Distribution(FIXED, e), 0.0)),
        transmission=Transmission(ratio, (Harmonic("input-turn", 2, Magnitude(Distribution(FIXED, gear), 0.0)),)),
    )
    command = 0.1 + np.arange(500) * 2 * np.pi / 100 / 500  # one turn of the motor
    error = simulated_joint(command, placement, e, radius, ratio, gear) - command
    modelled = curve(joint.terms(), command)
    # neglected: the error moves the place at which the wave is read, by its own slope
    slope = gear * 2 * (e / radius) * 1.1 if placement == "motor" else (e / radius) ** 2 * 1.1
    np.testing.assert_allclose(modelled, error, atol=slope + (e / radius) ** 3)
    first = e / radius
    if placement == "motor":
        size = 2 * np.abs(np.fft.rfft(error)) / len(error)
        assert size[1] == pytest.approx(first / ratio, rel=0.01)  # 1/100 of the encoder's own error
        assert size[2] == pytest.approx(gear, rel=0.01)  # the whole of the gear's
    else:
        assert "gear kinematic error" not in {term.cause.name for term in joint.terms()}
        assert np.abs(modelled).max() <= first


def test_motor_side_divides_every_cause_of_the_encoder_by_the_ratio() -> None:
    encoder = Encoder(
        "disc", signal_periods=256, interpolation=12, track_radius=10e-3, graduation_error=Distribution("uniform", 1e-5)
    )
    mounting = Mounting(Magnitude(Distribution("uniform", 1e-5)), Magnitude(Distribution("uniform", 1e-3)))
    output = {t.cause.name: t for t in Joint("j", encoder, placement="output", mounting=mounting).terms()}
    motor = {
        t.cause.name: t
        for t in Joint("j", encoder, placement="motor", mounting=mounting, transmission=Transmission(100.0)).terms()
    }
    assert output.keys() == motor.keys()
    for cause, term in output.items():
        assert motor[cause].limit == pytest.approx(term.limit / 100)
        for a, b in zip(term.acts, motor[cause].acts, strict=True):
            assert b.shape.gain == pytest.approx(a.shape.gain / 100)
            if hasattr(a.shape, "order"):
                assert b.shape.order == pytest.approx(a.shape.order * 100)


def test_disc_of_26_millimetres_resolves_22_bits() -> None:
    """Source: common practice, no source: 22 bit from 256 periods and 14 bit on a 26 mm disc."""
    encoder = Encoder("disc", signal_periods=256, interpolation=14, track_radius=13e-3)
    joint = Joint("j", encoder, mounting=Mounting(Magnitude(Distribution("uniform", 1e-6))))
    assert joint.resolution_bits == pytest.approx(22)
    # one step on the track of such a disc is 19 nm: two micrometres of run-out are a hundred steps
    assert joint.step * 13e-3 == pytest.approx(2 * math.pi * 13e-3 / 2**22)


@pytest.mark.parametrize("kind", TYPICAL_GEARS)
def test_presets_are_transmissions_like_any_other(kind: str) -> None:
    """Source: typical values, from memory; here only that a preset makes the terms of its own numbers."""
    preset = TYPICAL_GEARS[kind]  # type: ignore[index]
    fine = Encoder("fine", signal_periods=1, interpolation=60)
    terms = Joint("j", fine, placement="motor", transmission=replace(preset, ratio=80.0)).terms()
    orders = sorted({act.shape.order for t in terms if t.cause.name == "gear kinematic error" for act in t.acts})
    assert orders == sorted(h.order * (80 if h.per == "input-turn" else 1) for h in preset.kinematic_error)
    (play,) = [t for t in terms if t.cause.name == "lost motion"]
    assert play.limit == pytest.approx(preset.lost_motion / 2)
