"""Gears by type: the typical values stay what they are said to be. Source: common practice, no source."""

from __future__ import annotations

import math

import pytest

from armsim.model.gears import PRESETS, GearType

ARCSECOND = math.radians(1 / 3600)


@pytest.mark.parametrize(
    ("kind", "waves", "lost"),
    [
        ("strain-wave", [(True, 2, 20), (False, 1, 15)], 15),
        ("cycloidal", [(True, 1, 30), (False, 1, 20)], 40),
        ("planetary", [(True, 1, 60), (False, 1, 60)], 180),
    ],
)
def test_presets(kind: GearType, waves: list[tuple[bool, int, float]], lost: float) -> None:
    """Orders per turn of input or output, limits of their amplitude and lost motion in arcseconds."""
    box = PRESETS[kind]
    found = [
        (own.per == "input-turn", own.order, own.amplitude.spread.limit / ARCSECOND) for own in box.kinematic_error
    ]
    assert [(per, order) for per, order, _ in found] == [(per, order) for per, order, _ in waves]
    assert [size for _, _, size in found] == pytest.approx([size for _, _, size in waves])
    assert box.lost_motion / ARCSECOND == pytest.approx(lost)
    assert all(own.amplitude.phase is None for own in box.kinematic_error)
    assert math.isinf(box.stiffness)


def test_presets_order_as_the_trade_knows_them() -> None:
    """Strain-wave gears have least lost motion, planetary ones most. Source: common practice, no source."""
    lost = [PRESETS[kind].lost_motion for kind in ("strain-wave", "cycloidal", "planetary")]
    assert lost == sorted(lost)
