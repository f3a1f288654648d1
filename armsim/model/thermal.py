"""Thermal growth and drift of an arm: by the shared temperature rise, and by that of each joint."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from armsim.errormodel.distributions import Distribution
from armsim.errormodel.shapes import Constant, Proportional, Shape, Wave
from armsim.errormodel.terms import Axis, Term
from armsim.model.arm import Arm
from armsim.model.joint import Joint
from armsim.physics import heat

Growth = tuple[Axis, Shape]
"""Axis, and its growth per kelvin."""
Drift = tuple[Axis, tuple[Shape, ...], Distribution]
"""Axis, shapes, and distribution of the drift per kelvin."""


def heat_terms(
    arm: Arm, joints: Sequence[Joint], rise: Distribution | None, expansion: float, links_follow_rise: bool = True
) -> tuple[Term, ...]:
    """Terms of the shared rise of temperature, and of the rise of each joint above it.

    Parameters
    ----------
    arm : Arm
    joints : sequence of Joint
    rise : Distribution or None
        Shared by the whole arm. [K]
    expansion : float
        Relative growth of the links per kelvin. [1/K]
    links_follow_rise : bool
        Whether the links share the temperature rise of the whole arm and grow with it.

    Returns
    -------
    tuple of Term [rad or m]
    """
    terms: tuple[Term, ...] = ()
    if rise is not None:
        growth = _link_growth(arm, expansion) if links_follow_rise else []
        growth += [part for joint in joints for part in joint_growth(joint)]
        terms += heat.temperature(rise, growth, [drift for joint in joints for drift in joint_drifts(joint)])
    for joint in joints:
        if joint.temperature_rise is not None:
            growth = [*_link_growth(arm, expansion, joint.name), *joint_growth(joint)]
            terms += heat.joint_temperature(joint.name, joint.temperature_rise, growth, joint_drifts(joint))
    return terms


def _link_growth(arm: Arm, expansion: float, joint: str | None = None) -> list[Growth]:
    """Growth of the link and tool lengths in proportion to temperature; only of the link carried by ``joint`` if given.

    The constant offset of a prismatic joint is the zero of its linear scale, not a length that grows.
    """
    growth: list[Growth] = []
    for transform in arm.motions:
        constants = [axis for axis in transform.axes if not axis.belongs_to_joint]
        if transform.rotary or not constants or transform.joint is not None or not transform.value * expansion:
            continue
        length = constants[
            -1
        ]  # all axes of a transform move the tool in the same way, so one of them carries its growth
        if joint in (None, length.owner):
            growth.append((length, Constant(expansion * transform.value)))
    return growth


def joint_growth(joint: Joint) -> Iterable[Growth]:
    """Thermal growth at a joint, as errors of the joint.

    It comes from the screw, the scale (a longer scale reads too small a position) and the read-head bracket.

    Parameters
    ----------
    joint : Joint

    Returns
    -------
    iterable of (Axis, Shape) [rad/K or m/K]
    """
    axis, encoder, transmission = Axis(joint.name), joint.encoder, joint.transmission
    if encoder.expansion:
        yield axis, Proportional("position", encoder.expansion)
    # the motor turns as commanded, so that a longer lead moves the slide too far
    if transmission.expansion and joint.sensor_on_motor:
        yield axis, Proportional("travel", transmission.expansion, transmission.fixed_bearing)
    bracket = joint.mounting.bracket_expansion * joint.mounting.head_bracket
    if bracket:
        yield axis, Constant(-bracket / joint.ratio / (encoder.track_radius if encoder.rotary else 1.0))


def joint_drifts(joint: Joint) -> list[Drift]:
    """Drifts of the sensor of a joint, as errors of the joint.

    Parameters
    ----------
    joint : Joint

    Returns
    -------
    list of (Axis, shapes, Distribution) [rad/K or m/K]
    """
    drifts: list[Drift] = []
    axis, gain, encoder = Axis(joint.name), -1.0 / joint.ratio, joint.encoder
    if encoder.drift.nonzero:
        drifts.append((axis, (Constant(gain),), encoder.drift))
    if encoder.signal.offset_drift.nonzero:
        # the offset is calibrated out at mastering, but returns as it drifts with temperature
        gain /= encoder.order * math.sqrt(encoder.head_count)
        order = encoder.order * joint.ratio
        drifts.append((axis, (Wave("cos", order, gain), Wave("sin", order, -gain)), encoder.signal.offset_drift))
    return drifts
