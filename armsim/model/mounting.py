"""Misalignments of scale and head, and the resulting error terms at the shaft."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Protocol

from armsim import causes
from armsim.errormodel.distributions import ABSENT, NONE, Distribution, Magnitude
from armsim.errormodel.terms import Term
from armsim.field_spec import key
from armsim.physics import assembly, heat, linear_scale, scale
from armsim.physics.heads import Heads

VALID_SHARE = 0.1
"""Largest eccentricity over the radius: the terms neglected in second order are below (e/R)^3/3 = 0.03 % of it."""
VALID_ANGLE = math.radians(10)
"""Largest tilt: the terms neglected in second order, g^4/12, are below 1.1 % of it."""
NEEDS_RADIUS = ("track_radius",)
ERROR_POWERS = {"eccentricity": 1, "ellipticity": 1, "disc_tilt": 2, "coupling_angle": 2}
"""Sizes that may be part of a stated accuracy, and the power with which their error grows."""
WHOLLY_STATED = ("eccentricity", "disc_tilt")
"""Sizes whose stated error includes that of the geometry and replaces it."""


class MountedEncoder(Protocol):
    """Properties of an encoder that its mounting errors depend on."""

    @property
    def track_radius(self) -> float:
        """Radius of the track. [m]"""

    @property
    def heads(self) -> Heads:
        """Number of evenly spread heads, or their angles. [rad]"""

    @property
    def light_cone(self) -> float:
        """Half-angle of the light cone. [rad]"""

    @property
    def period(self) -> float:
        """Length of a signal period on the scale. [m]"""

    @property
    def window_periods(self) -> float:
        """Signal periods under the detectors."""

    @property
    def corrections(self) -> Any:
        """Shares of errors that calibration removes."""

    @property
    def misalignment_errors(self) -> Any:
        """Errors that the data sheet states for offsets."""

    @property
    def accuracy_mounting(self) -> Mounting:
        """Mounting whose errors are part of the stated accuracy."""


@dataclass(frozen=True)
class Mounting:
    """Offsets and tilts of scale and head."""

    eccentricity: Magnitude = key(
        ABSENT, "length", "distance between the centre of the scale and the shaft axis", only="rotation",
        needs=NEEDS_RADIUS, most_of_radius=VALID_SHARE, cause=causes.ECCENTRICITY, effect="once and twice per turn",
        physics=assembly.eccentricity,
    )  # fmt: skip
    shaft_runout: Magnitude = key(
        ABSENT, "length", "total indicator reading of the shaft where the scale sits, in its bearing", only="rotation",
        needs=NEEDS_RADIUS, most_of_radius=VALID_SHARE, cause=causes.SHAFT_RUNOUT, effect="once per turn",
        physics=assembly.shaft_runout,
    )  # fmt: skip
    nonrepeatable_runout: Distribution = key(
        NONE, "length", "shift of the shaft in its bearing from visit to visit, along any direction",
        only="rotation", needs=NEEDS_RADIUS, visit=True, cause=causes.NONREPEATABLE_RUNOUT,
        effect="scatter from visit to visit", physics=assembly.nonrepeatable_runout,
    )  # fmt: skip
    ellipticity: Magnitude = key(
        ABSENT, "length", "departure from the mean radius of a disc bent into an ellipse", only="rotation",
        needs=NEEDS_RADIUS, most_of_radius=VALID_SHARE, cause=causes.ELLIPTICITY, effect="twice per turn",
        physics=assembly.ellipticity,
    )  # fmt: skip
    disc_tilt: Magnitude = key(
        ABSENT, "angle", "angle between the axis of the disc and the shaft", only="rotation", most=VALID_ANGLE,
        cause=causes.DISC_TILT, effect="twice per turn", physics=assembly.disc_tilt,
    )  # fmt: skip
    coupling_angle: Magnitude = key(
        ABSENT, "angle", "angle at which the shafts of a coupling meet", only="rotation", most=VALID_ANGLE,
        cause=causes.COUPLING_MISALIGNMENT, effect="twice per turn, whatever the number of heads",
        physics=assembly.coupling_misalignment,
    )  # fmt: skip
    head_tangential: Distribution = key(
        NONE, "length", "offset of the head along the track",
        only="rotation", needs=NEEDS_RADIUS, cause=causes.HEAD_TANGENTIAL,
        effect="moves the zero, until mastering", physics=assembly.head_tangential_offset,
    )  # fmt: skip
    head_radial: Distribution = key(
        NONE, "length", "offset of the head along the radius", only="rotation", needs=NEEDS_RADIUS,
        cause=causes.HEAD_RADIAL, effect="lowers the contrast, so raises the noise",
        physics=assembly.contrast_loss,
    )  # fmt: skip
    head_tilt: Distribution = key(
        NONE, "angle", "rotation of the head about the radius", most=VALID_ANGLE, cause=causes.HEAD_TILT,
        effect="lowers the contrast, so raises the noise",
        physics=assembly.contrast_loss,
    )  # fmt: skip
    head_skew: Distribution = key(
        NONE, "angle", "rotation of the head about the normal of the scale: two tracks are read at two places",
        only="rotation", most=VALID_ANGLE,
    )  # fmt: skip
    air_gap: Distribution = key(
        NONE, "length", "departure of the head from its nominal distance to the scale", cause=causes.AIR_GAP,
        effect="lowers the contrast (with the encoder's light_cone), so raises the noise",
        physics=assembly.gap_loss,
    )  # fmt: skip
    abbe_offset: float = key(
        0.0, "length", "distance of a linear scale from the line of the tool", only="translation",
        cause=causes.ABBE_OFFSET, effect="offset times pitch of the guide", physics=linear_scale.abbe_error,
    )  # fmt: skip
    head_bracket: float = key(
        0.0, "length", "bracket of the head, from the housing along the track; positive where growth reads more",
        needs=NEEDS_RADIUS, least=-10.0, most=10.0,
    )  # fmt: skip
    bracket_expansion: float = key(
        0.0, "expansion", "thermal expansion of the head bracket", least=-1e-3, most=1e-3, cause=causes.BRACKET_GROWTH,
        effect="bracket times temperature, along the track", physics=heat.temperature,
    )  # fmt: skip
    guide_pitch: Distribution = key(
        NONE, "angle", "pitch of the carriage on its guide", only="translation",
        centred="the size of a curve of unknown shape has none; a pitch that stays moves the zero",
    )  # fmt: skip

    def excess_over(self, included: Mounting, proportional: tuple[str, ...] = ()) -> Mounting:
        """Mounting in excess of one already included, such that the squares of the errors add up.

        The error of an eccentricity is proportional to it, that of a tilt to its square, except for those
        ``proportional``; mean squares are compared. Sizes below the included ones have no excess.

        Parameters
        ----------
        included : Mounting
            Mounting whose errors are already included.
        proportional : tuple of str
            Sizes whose error is proportional to them, as a stated one is.

        Returns
        -------
        Mounting
        """
        remainders = {}
        for name, degree in ERROR_POWERS.items():
            power = 1 if name in proportional else degree
            size, included_size = getattr(self, name), getattr(included, name)
            if size.spread.nonzero and included_size.spread.nonzero:
                square = size.spread.absolute_moment(2 * power)
                share = max(0.0, 1.0 - included_size.spread.absolute_moment(2 * power) / square)
                spread = size.spread.scaled(share ** (0.5 / power))
                remainders[name] = replace(size, spread=spread)
        return replace(self, **remainders)

    def contrast_loss(self, encoder: MountedEncoder) -> float:
        """Mean of 1/contrast^2 over the units, from the placement of the head; infinite where the signal is lost."""
        out = 1.0
        if self.head_radial.nonzero or self.head_tilt.nonzero:
            # without a radius there is no radial offset either: the documents guarantee that
            radius = encoder.track_radius or math.inf
            out = assembly.contrast_loss(self.head_radial, self.head_tilt, radius, encoder.window_periods)
        if self.air_gap.nonzero and encoder.light_cone and encoder.period:
            out *= assembly.gap_loss(self.air_gap, encoder.light_cone, encoder.period)
        return out

    def terms(self, encoder: MountedEncoder, fundamental: float, mastered: bool) -> tuple[Term, ...]:
        """Terms at the shaft: the reading minus the truth.

        Parameters
        ----------
        encoder : MountedEncoder
        fundamental : float
            Order of the longest wave on the scale. [rad/rad or rad/m]
        mastered : bool
            Whether the zero was set with the head in its place.

        Returns
        -------
        tuple of Term [rad or m]
        """
        radius, heads = encoder.track_radius, encoder.heads
        stated_offsets = tuple(entry.offset_key for entry in encoder.misalignment_errors)
        terms = self.excess_over(encoder.accuracy_mounting, stated_offsets).scale_terms(encoder, fundamental)
        if self.shaft_runout.spread.nonzero:
            removed, runout = encoder.corrections.eccentricity, self.shaft_runout
            terms += assembly.shaft_runout(runout.spread, radius, removed, heads, runout.phase)
        if self.nonrepeatable_runout.nonzero:
            terms += assembly.nonrepeatable_runout(self.nonrepeatable_runout, radius, heads)
        for entry in encoder.misalignment_errors:
            if entry.offset_key not in WHOLLY_STATED:
                terms += self._stated_terms(entry, fundamental)
        if self.head_tangential.nonzero and not mastered:
            terms += assembly.head_tangential_offset(self.head_tangential, radius)
        if self.abbe_offset and self.guide_pitch.nonzero:
            terms += linear_scale.abbe_error(self.abbe_offset, self.guide_pitch, fundamental)
        return terms

    def scale_terms(self, encoder: MountedEncoder, fundamental: float) -> tuple[Term, ...]:
        """Terms of the sizes of which an accuracy may hold a part (`ERROR_POWERS`), at the shaft.

        The stated error of an eccentricity or a tilt is the whole error, after heads and corrections: that of the
        geometry is not added.

        Parameters
        ----------
        encoder : MountedEncoder
        fundamental : float
            Order of the longest wave. [rad/rad or rad/m]

        Returns
        -------
        tuple of Term [rad or m]
        """
        radius, heads = encoder.track_radius, encoder.heads
        stated_offsets = {
            entry.offset_key: entry for entry in encoder.misalignment_errors if entry.offset_key in WHOLLY_STATED
        }
        terms: tuple[Term, ...] = ()
        if self.eccentricity.spread.nonzero and "eccentricity" not in stated_offsets:
            removed, phase = encoder.corrections.eccentricity, self.eccentricity.phase
            terms += assembly.eccentricity(self.eccentricity.spread, radius, removed, heads, phase)
        if self.ellipticity.spread.nonzero:
            terms += assembly.ellipticity(self.ellipticity.spread, radius, heads, self.ellipticity.phase)
        if self.disc_tilt.spread.nonzero and "disc_tilt" not in stated_offsets:
            terms += assembly.disc_tilt(self.disc_tilt.spread, heads, self.disc_tilt.phase)
        if self.coupling_angle.spread.nonzero:
            terms += assembly.coupling_misalignment(self.coupling_angle.spread, self.coupling_angle.phase)
        for entry in stated_offsets.values():
            terms += self._stated_terms(entry, fundamental)
        return terms

    def _stated_terms(self, entry: Any, fundamental: float) -> tuple[Term, ...]:
        """Stated error of an offset."""
        offset = getattr(self, entry.offset_key)
        spread = offset.spread if isinstance(offset, Magnitude) else offset
        return (
            scale.stated_misalignment(entry.offset_key, spread, entry.error / entry.offset, fundamental)
            if spread.nonzero
            else ()
        )
