"""A joint of the scenario document, built: every quantity must fit what the joint does."""

from __future__ import annotations

import math

from armsim.documents.fields import Measured, Tolerance
from armsim.documents.scenario import JointDocument, TransmissionDocument
from armsim.errormodel.distributions import NONE, Distribution
from armsim.model.arm import ArmJoint
from armsim.model.encoder import Encoder
from armsim.model.gears import PRESETS
from armsim.model.joint import ABSENT, Bus, Fitting, Harmonic, Joint, Magnitude, Mounting, Transmission
from armsim.physics.assembly import LEAST_CONTRAST
from armsim.sources import KeyPath, Source

ON_A_DISC = ("eccentricity", "ellipticity", "disc_tilt", "coupling_angle", "head_tangential", "head_radial")
ON_A_GUIDE = ("abbe_offset", "guide_pitch")
NEEDS_RADIUS = ("eccentricity", "ellipticity", "head_tangential", "head_radial")

VALID_SHARE = 0.1
"""Of the radius: what the second order of an eccentricity neglects is below (e/R)^3/3 = 0.03 % of the radius there."""
VALID_STIFFNESS = 0.3
"""What the first order of a stiffness neglects, the square of its tolerance, is below 9 % of the twist there."""
VALID_ANGLE = math.radians(10)
"""What the second order of a tilt neglects, g^4/12, is below 1.1 % of it there."""


def build_joint(
    document: JointDocument,
    joint: ArmJoint,
    encoder: Encoder,
    motor_encoder: Encoder | None,
    bus: Bus,
    source: Source,
    at: KeyPath,
) -> Joint:
    """One joint with its sensor.

    Raises
    ------
    InputError
        A quantity does not fit the joint, its encoder or its placement.
    """
    kind = "angle" if joint.revolute else "length"
    what = "revolute" if joint.revolute else "prismatic"

    def fitting(entry: Tolerance | Measured | None, *path: str | int) -> None:
        if entry is not None and entry.kind != kind:
            raise source.error((*at, *path), f"{entry.kind} at the {what} joint {joint.name}", kind)

    for key, sensor in (("encoder", encoder), ("motor_encoder", motor_encoder)):
        if sensor is not None and sensor.rotary != joint.revolute:
            measures = "rotation" if sensor.rotary else "translation"
            raise source.error(
                (*at, key),
                f"{sensor.name!r} measures {measures}, joint {joint.name} is {what}",
                "a rotary encoder on a revolute joint, a linear one on a prismatic joint",
            )
    if (document.placement == "both") != (motor_encoder is not None):
        without = motor_encoder is None
        found = (
            "placement both without motor_encoder" if without else f"motor_encoder at placement {document.placement}"
        )
        accepted = "placement: both with motor_encoder: for the one on the motor"
        raise source.error((*at, "placement" if without else "motor_encoder"), found, accepted)
    fitting(document.mastering, "mastering")
    mounting = _mounting(document, joint, encoder, source, (*at, "mounting"))
    box = _transmission(document.transmission, joint, source, (*at, "transmission"), document.placement == "motor")
    built = Joint(
        name=joint.name,
        encoder=encoder,
        travel=joint.travel,
        farthest=max((abs(end) for end in (joint.lower, joint.upper) if math.isfinite(end)), default=joint.travel),
        placement=document.placement,
        mounting=mounting,
        transmission=box,
        mastering=document.mastering.spread if document.mastering is not None else None,
        motor_encoder=motor_encoder,
        approach=document.approach,
        bus=bus,
        fitting=Fitting(document.price.mounting, document.price.placement),
    )
    if not math.isfinite(built.contrast_loss):
        raise source.error(
            (*at, "mounting"),
            f"the head of some units would lose its signal (contrast below {LEAST_CONTRAST:.0%})",
            "tighter head_radial, head_tilt or air_gap, a shorter sensing_window, or fewer signal_periods",
        )
    return built


def _mounting(document: JointDocument, joint: ArmJoint, encoder: Encoder, source: Source, at: KeyPath) -> Mounting:
    mounting = document.mounting
    given = [key for key in mounting.model_fields_set if getattr(mounting, key) is not None]
    for key in given:
        if not joint.revolute and key in ON_A_DISC:
            raise source.error((*at, key), "a disc on a prismatic joint", "leave it out")
        if joint.revolute and key in ON_A_GUIDE:
            raise source.error((*at, key), "a guide on a revolute joint", "leave it out")
        if encoder.summary is not None and key not in ON_A_GUIDE:
            accepted = "leave it out, or an encoder that tells its causes"
            raise source.error((*at, key), f"mounting beside {encoder.name!r}, which has only a summary", accepted)
        if joint.revolute and key in NEEDS_RADIUS and not encoder.track_radius:
            accepted = f"track_radius in the encoder {encoder.name!r}"
            raise source.error((*at, key), f"{key} needs the radius of the track", accepted)
    for key in ("eccentricity", "ellipticity"):
        entry = getattr(mounting, key)
        if entry is not None and entry.spread.limit > VALID_SHARE * encoder.track_radius:
            found = f"{entry.spread.limit * 1e3:.4g} mm on a track of radius {encoder.track_radius * 1e3:.4g} mm"
            raise source.error(
                (*at, key), found, f"at most {VALID_SHARE:.0%} of the radius: beyond it the series fails"
            )
    for key in ("disc_tilt", "coupling_angle", "head_tilt"):
        entry = getattr(mounting, key)
        if entry is not None and entry.spread.limit > VALID_ANGLE:
            found = f"{math.degrees(entry.spread.limit):.4g} deg"
            accepted = f"at most {math.degrees(VALID_ANGLE):.4g} deg: beyond it the series fails"
            raise source.error((*at, key), found, accepted)
    return Mounting(
        eccentricity=_magnitude(mounting.eccentricity),
        ellipticity=_magnitude(mounting.ellipticity),
        disc_tilt=_magnitude(mounting.disc_tilt),
        coupling_angle=_magnitude(mounting.coupling_angle),
        head_tangential=_spread(mounting.head_tangential),
        head_radial=_spread(mounting.head_radial),
        head_tilt=_spread(mounting.head_tilt),
        air_gap=_spread(mounting.air_gap),
        abbe_offset=mounting.abbe_offset or 0.0,
        guide_pitch=_spread(mounting.guide_pitch),
    )


def _transmission(
    box: TransmissionDocument, joint: ArmJoint, source: Source, at: KeyPath, geared: bool
) -> Transmission:
    kind = "angle" if joint.revolute else "length"
    stiffness_kind = "angular stiffness" if joint.revolute else "stiffness"
    for key, entry, accepted in (("lost_motion", box.lost_motion, kind), ("stiffness", box.stiffness, stiffness_kind)):
        if entry is not None and entry.kind != accepted:
            raise source.error((*at, key), f"{entry.kind} at joint {joint.name}", accepted)
        if entry is not None and (entry.value < 0 or (key == "stiffness" and entry.value == 0)):
            raise source.error((*at, key), "not positive", f"{accepted} above zero")
    if not joint.revolute:
        if geared and box.ratio != 1.0:
            raise source.error((*at, "ratio"), "a ratio on a prismatic joint", "ratio 1 or none")
        for key in ("type", "kinematic_error"):
            if getattr(box, key) is not None:
                raise source.error((*at, key), "a gear on a prismatic joint", "leave it out; a linear scale has none")
    if box.stiffness_tolerance is not None and box.stiffness_tolerance.spread.limit > VALID_STIFFNESS:
        found = f"{box.stiffness_tolerance.spread.limit:.4g} of the stiffness"
        accepted = f"at most {VALID_STIFFNESS:.0%}: beyond it the first order fails"
        raise source.error((*at, "stiffness_tolerance"), found, accepted)
    if box.type is not None and "ratio" not in box.model_fields_set:
        raise source.error((*at, "type"), f"a {box.type} gear without its ratio", "ratio:")
    preset = PRESETS[box.type] if box.type is not None else Transmission()
    harmonics = preset.kinematic_error
    if box.kinematic_error is not None:
        harmonics = tuple(
            Harmonic(h.per == "input-turn", h.order, _magnitude(h.amplitude)) for h in box.kinematic_error
        )
    return Transmission(
        ratio=box.ratio,
        kinematic_error=harmonics,
        lost_motion=box.lost_motion.value if box.lost_motion is not None else preset.lost_motion,
        stiffness=box.stiffness.value if box.stiffness is not None else math.inf,
        stiffness_tolerance=_spread(box.stiffness_tolerance),
        compensation=box.compensation,
    )


def _magnitude(entry: Tolerance | None) -> Magnitude:
    return entry.magnitude if entry is not None else ABSENT


def _spread(entry: Tolerance | None) -> Distribution:
    return entry.spread if entry is not None else NONE
