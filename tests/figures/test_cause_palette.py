"""Causes keep their colour and hatch in every document, told apart by all readers and in grey."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from matplotlib.colors import to_rgb

from armsim.arrays import Array
from armsim.causes import Cause, combine_causes
from armsim.figures.cause_palette import FAMILIES, OTHERS, SUM, look_of
from armsim.model.effects import effects

LEAST = 20.0
"""Least distance of two colours in CIELAB. A just noticeable one is 2.3: Mahy, Van Eycken, Oosterlinck, Color Research and
Application 19 (1994) 105. From memory; ten times that for small areas: common practice, no source."""
TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
"""From linear sRGB. IEC 61966-2-1:1999, from memory."""
VISIONS = {
    "all cones": np.eye(3),
    "no red cones": np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]]),
    "no green cones": np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]),
}
"""Linear sRGB as it is seen. Viénot, Brettel, Mollon, Color Research and Application 24 (1999) 243, from memory."""


def in_lab(colour: str, vision: Array) -> Array:
    """CIELAB of a colour under its own white. CIE 15:2004 8.2.1, from memory."""
    encoded = np.array(to_rgb(colour))
    linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    ratio = TO_XYZ @ np.clip(vision @ linear, 0.0, 1.0) / TO_XYZ.sum(axis=1)
    x, y, z = np.where(ratio > 0.008856, np.cbrt(ratio), 7.787 * ratio + 16 / 116)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def test_families_differ_for_all_readers() -> None:
    assert len(FAMILIES) >= 12
    for vision in VISIONS.values():
        for one, other in combinations(FAMILIES, 2):
            assert np.linalg.norm(in_lab(one, vision) - in_lab(other, vision)) > LEAST, (one, other)


def test_every_cause_has_a_look_of_its_own() -> None:
    reported = {cause.name: cause for effect in effects() for cause in effect.cause.reported_as}
    looks = {name: look_of(name) for name in reported}
    assert OTHERS not in {look.colour for look in looks.values()}
    assert len(set(looks.values())) == len(looks)


def test_joined_causes_look_like_none_alone() -> None:
    one, other = Cause("lost motion"), Cause("hysteresis")
    alone = {look_of(cause.name) for family in FAMILIES.values() for cause in family}
    assert look_of(combine_causes(one, other).name) not in alone
    assert look_of("a cause of tomorrow").colour == OTHERS
    assert look_of("a cause of tomorrow") != SUM
