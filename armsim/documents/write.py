"""From the model back to documents: what a search has chosen can be read, changed and run like any other scenario."""

from __future__ import annotations

import math
import os
from pathlib import Path
from typing import Any

import yaml

from armsim.documents.units import DIMENSIONS, in_si, read
from armsim.errormodel.distributions import Distribution
from armsim.model.encoder import Encoder
from armsim.model.joint import Harmonic, Joint, Magnitude, Mounting, Transmission
from armsim.model.machine import Machine

SCATTERED = ("normal", "rayleigh")


def quantity(value: float, kind: str) -> str:
    """A value in SI with a unit that reads back to the same bits: one that people use where there is one."""
    units = {unit: in_si(unit, kind) or 1.0 for unit in DIMENSIONS[kind][1]}
    ranked = sorted(units, key=lambda unit: abs(math.log10(max(abs(value / units[unit]), 1e-30)) - 1))
    for digits in (6, 12, 15, 17):
        for unit in ranked if value else ranked[:1]:
            text = f"{value / units[unit]:.{digits}g} {unit}"
            if read(text, kind) == value:
                return text
    return f"{value!r} {DIMENSIONS[kind][0]}"


def scenario_document(data: dict[str, Any], machine: Machine, name: str, beside: Path, to: Path) -> dict[str, Any]:
    """A scenario as it was read, its joints fitted as those of a machine.

    Parameters
    ----------
    data : dict
        The scenario's own document.
    machine : Machine
    name : str
        Of the new scenario.
    beside, to : Path
        Folder from which its references count, and that of the new file.
    """
    out = {**data, "name": name, "joints": {joint.name: joint_document(joint) for joint in machine.joints}}
    arm = out["arm"]
    if isinstance(arm, str):
        out["arm"] = os.path.relpath(beside / arm, to)
    elif isinstance(arm.get("kinematics"), dict) and "file" in arm["kinematics"]:
        file = os.path.relpath(beside / arm["kinematics"]["file"], to)
        out["arm"] = {**arm, "kinematics": {**arm["kinematics"], "file": file}}
    tasks = []
    for task in out["tasks"]:
        moved = {"file": os.path.relpath(beside / task["file"], to)} if "file" in task else {}
        tasks.append({**task, **moved})
    return {**out, "tasks": tasks}


def in_yaml(document: dict[str, Any]) -> str:
    """The text of a document."""
    return yaml.safe_dump(document, sort_keys=False, allow_unicode=True, width=120)


def joint_document(joint: Joint) -> dict[str, Any]:
    """The entry of a joint in a scenario."""
    kind = "angle" if joint.encoder.rotary else "length"
    out: dict[str, Any] = {"encoder": encoder_document(joint.encoder), "placement": joint.placement}
    if joint.motor_encoder is not None:
        out["motor_encoder"] = encoder_document(joint.motor_encoder)
    if joint.approach in ("positive", "negative"):
        out["approach"] = joint.approach
    parts = {"mounting": _mounting(joint.mounting), "transmission": _transmission(joint.transmission, kind)}
    out |= {key: part for key, part in parts.items() if part}
    if joint.mastering is not None:
        out["mastering"] = _tolerance(joint.mastering, kind)
    price = {key: value for key, value in vars(joint.fitting).items() if value}
    if price:
        out["price"] = price
    return out


def encoder_document(encoder: Encoder) -> dict[str, Any]:
    """An encoder, as it may stand in a file of its own."""
    kind = "angle" if encoder.rotary else "length"
    out: dict[str, Any] = {
        "kind": "encoder",
        "name": encoder.name,
        "measures": "rotation" if encoder.rotary else "translation",
    }
    drift = "angular drift" if encoder.rotary else "linear drift"
    if encoder.summary is not None:
        sheet = encoder.summary
        out["summary"] = {"resolution": quantity(sheet.resolution, "bits" if encoder.rotary else "length")}
        for key, spread in (("accuracy", sheet.accuracy), ("repeatability", sheet.repeatability)):
            _put(out["summary"], key, spread, kind)
    else:
        if encoder.rotary:
            out["signal_periods"] = int(encoder.signal_periods)
        else:
            out["signal_period"] = quantity(encoder.signal_period, "length")
        out["interpolation"] = quantity(encoder.interpolation, "bits")
        if encoder.light_cone:
            out["light_cone"] = quantity(encoder.light_cone, "angle")
        for key in ("track_radius", "sensing_window"):
            if getattr(encoder, key):
                out[key] = quantity(getattr(encoder, key), "length")
        _put(out, "graduation_error", encoder.graduation_error, kind)
        signal = _signal(encoder)
        if signal:
            out["signal"] = signal
        corrections = {key: quantity(share, "ratio") for key, share in encoder.corrections.items() if share}
        if corrections:
            out["corrections"] = corrections
        if encoder.read_heads != 1:
            out["read_heads"] = encoder.read_heads
        _put(out, "slope_error", encoder.slope_error, "slope")
    if encoder.hysteresis:
        out["hysteresis"] = quantity(encoder.hysteresis, kind)
    timing = {key: getattr(encoder.timing, key) for key in ("latency", "jitter")}
    if any(timing.values()):
        out["timing"] = {key: quantity(value, "time") for key, value in timing.items() if value}
    _put(out, "drift", encoder.drift, drift)
    if encoder.expansion:
        out["expansion"] = quantity(encoder.expansion, "expansion")
    if encoder.price:
        out["price"] = encoder.price
    return out


def _signal(encoder: Encoder) -> dict[str, Any]:
    own, out = encoder.signal, dict[str, Any]()
    for key in ("offset", "amplitude_mismatch", "third_harmonic"):
        _put(out, key, getattr(own, key), "ratio")
    _put(out, "phase_error", own.phase_error, "angle")
    if own.harmonic_order != 4:
        out["third_harmonic_order"] = own.harmonic_order
    if own.noise:
        out["noise"] = quantity(own.noise, "ratio")
    if own.averages != 1:
        out["averages"] = own.averages
    _put(out, "offset_drift", own.offset_drift, "relative drift")
    return out


def _mounting(mounting: Mounting) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key, kind in (
        ("eccentricity", "length"), ("ellipticity", "length"), ("disc_tilt", "angle"), ("coupling_angle", "angle"),
    ):  # fmt: skip
        size: Magnitude = getattr(mounting, key)
        _put(out, key, size.spread, kind, size.phase)
    for key, kind in (
        ("head_tangential", "length"), ("head_radial", "length"), ("head_tilt", "angle"), ("air_gap", "length"),
        ("guide_pitch", "angle"),
    ):  # fmt: skip
        _put(out, key, getattr(mounting, key), kind)
    if mounting.abbe_offset:
        out["abbe_offset"] = quantity(mounting.abbe_offset, "length")
    return out


def _transmission(box: Transmission, kind: str) -> dict[str, Any]:
    out: dict[str, Any] = {}
    if box.ratio != 1.0:
        out["ratio"] = box.ratio
    if box.kinematic_error:
        out["kinematic_error"] = [_harmonic(own) for own in box.kinematic_error]
    if box.lost_motion:
        out["lost_motion"] = quantity(box.lost_motion, kind)
    if math.isfinite(box.stiffness):
        out["stiffness"] = quantity(box.stiffness, "angular stiffness" if kind == "angle" else "stiffness")
    _put(out, "stiffness_tolerance", box.stiffness_tolerance, "ratio")
    if box.compensation:
        out["compensation"] = quantity(box.compensation, "ratio")
    return out


def _harmonic(own: Harmonic) -> dict[str, Any]:
    amplitude = _tolerance(own.amplitude.spread, "angle", own.amplitude.phase)
    return {"per": "input-turn" if own.per_input else "output-turn", "order": own.order, "amplitude": amplitude}


def _put(into: dict[str, Any], key: str, spread: Distribution, kind: str, phase: float | None = None) -> None:
    if spread.scale:
        into[key] = _tolerance(spread, kind, phase)


def _tolerance(spread: Distribution, kind: str, phase: float | None = None) -> str | dict[str, str]:
    size = quantity(spread.scale, kind)
    if spread.distribution == "uniform" and phase is None:
        return size
    out = {"std" if spread.distribution in SCATTERED else "limit": size, "distribution": spread.distribution}
    return out if phase is None else {**out, "phase": quantity(phase, "angle")}
