"""Warnings about valid but suspicious input, each with its interpretation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from armsim.documents.fields import is_bare
from armsim.field_spec import declared_fields
from armsim.model.encoder import Encoder
from armsim.model.joint import Joint
from armsim.model.machine import Environment, Machine
from armsim.model.motion import Motion
from armsim.model.unmet_needs import unmet_needs

MOST_BITS = 30.0
"""Bits per turn above which the stated interpolation may be the total. Common practice, no source."""


def lint_machine(machine: Machine, motion: Motion | None = None) -> list[str]:
    """Notes on suspicious values of a machine and, where stated, of its motion; each note once."""
    notes: list[str] = []
    notes += _needs_notes(machine.joints)
    for joint in machine.joints:
        for encoder in (joint.encoder, joint.motor_encoder):
            if encoder is not None:
                notes += _encoder_notes(encoder)
        ratio = joint.transmission.ratio
        if abs(ratio) < 1.0 and not joint.transmission.moves_slide:
            notes.append(
                f"ratio {ratio:g} at {joint.name}: the motor turns {abs(ratio):g} times per turn of the joint; was "
                f"{1 / abs(ratio):g} meant?"
            )
    stiff = [j.name for j in machine.joints if j.sensor_on_motor and math.isfinite(j.transmission.stiffness)]
    if stiff and machine.masses is None:
        notes.append(f"stiffness at {', '.join(stiff)} does nothing: the arm has no masses that would load it")
    without_cone = [j.name for j in machine.joints if j.mounting.air_gap.nonzero and not j.encoder.light_cone]
    if without_cone:
        notes.append(f"air_gap at {', '.join(without_cone)} does nothing: the encoder states no light_cone")
    speeds = motion.speeds if motion is not None else {}
    notes += speed_noise_notes([(j.name, j.speed_sensor[0]) for j in machine.joints if j.name in speeds])
    return list(dict.fromkeys(notes))


def _needs_notes(joints: Sequence[Joint]) -> list[str]:
    """Notes on sensors that are not what their joints need, joints with the same reasons together."""
    joints_by_mismatch: dict[tuple[str, str], list[str]] = {}
    for joint in joints:
        sensors = [(joint.needs.for_placement(joint.placement), joint.encoder, joint.ratio)]
        if joint.motor_encoder is not None:
            sensors.append((joint.needs.for_second_sensor, *joint.speed_sensor))
        for needs, encoder, ratio in sensors:
            unmet = unmet_needs(needs, encoder, ratio)
            if unmet:
                joints_by_mismatch.setdefault((encoder.name, "; ".join(unmet)), []).append(joint.name)
    return [
        f"{name!r} is not what {', '.join(names)} needs: {reasons}"
        for (name, reasons), names in joints_by_mismatch.items()
    ]


def speed_noise_notes(sensors: Sequence[tuple[str, Encoder]]) -> list[str]:
    """Note on sensors, by name, that state a repeatability but no noise, so that their speed has no noise."""
    names = [
        name
        for name, sensor in sensors
        if sensor.summary is not None and sensor.summary.repeatability.nonzero
        if not sensor.noise.nonzero and not sensor.signal.noise
    ]
    if not names:
        return []
    return [
        f"summary.repeatability of {', '.join(names)} adds no noise to the speed: it is taken as scatter from visit "
        "to visit, held while the joint moves; what scatters from reading to reading is stated as noise"
    ]


def bare_size_notes(data: Any) -> list[str]:
    """Notes on one-sided quantities of a scenario as written, which are read as tolerances about zero."""
    joints = data.get("joints") or {}
    return [
        *_bare_sizes(Environment, data.get("environment"), "environment"),
        *(note for name, entry in joints.items() for note in _bare_sizes(Joint, entry, f"joints.{name}")),
    ]


def _bare_sizes(owner: type, data: Any, path: str) -> list[str]:
    notes = []
    for field in declared_fields(owner):
        size = data.get(field.yaml) if isinstance(data, dict) else None
        if field.key.one_sided and isinstance(size, str) and is_bare(size):
            unit = size.lstrip("+-.0123456789eE ")
            notes.append(
                f"{path}.{field.yaml}: {size} is read as ±{size} about zero; for {field.key.one_sided} of {size} write "
                f"{{mean: {size}, limit: 0 {unit}}} or {{limit: {size}, distribution: fixed}}, for ±{size} "
                f"{{limit: {size}}}"
            )
    return notes


def _encoder_notes(encoder: Encoder) -> list[str]:
    if not encoder.rotary or encoder.summary is not None or encoder.signal_periods <= 1:
        return []
    per_turn = math.log2(encoder.signal_periods)
    if per_turn + encoder.interpolation <= MOST_BITS:
        return []
    bits_per_period, bits = encoder.interpolation - per_turn, f"{encoder.interpolation:g} bit"
    hint = f"; if {bits} per turn was meant, interpolation is {bits_per_period:.3g} bit" if bits_per_period > 0 else ""
    return [
        f"encoder {encoder.name!r}: {encoder.signal_periods} signal periods and {bits} within each make "
        f"{per_turn + encoder.interpolation:.3g} bit per turn{hint}"
    ]
