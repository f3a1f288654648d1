"""Gears by type: the typical values stay what they are said to be. Source: common practice, no source."""

from __future__ import annotations

import math

import pytest

from armsim.model.gears import TYPICAL_GEARS, GearType

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
    box = TYPICAL_GEARS[kind]
    actual = [
        (item.per == "input-turn", item.order, item.amplitude.spread.limit / ARCSECOND) for item in box.kinematic_error
    ]
    assert [(per, order) for per, order, _ in actual] == [(per, order) for per, order, _ in waves]
    assert [size for _, _, size in actual] == pytest.approx([size for _, _, size in waves])
    assert box.lost_motion / ARCSECOND == pytest.approx(lost)
    assert all(item.amplitude.phase is None for item in box.kinematic_error)
    assert math.isinf(box.stiffness)


def test_presets_order_as_the_trade_knows_them() -> None:
    """Strain-wave gears have least lost motion, planetary ones most. Source: common practice, no source."""
    lost = [TYPICAL_GEARS[kind].lost_motion for kind in ("strain-wave", "cycloidal", "planetary")]
    assert lost == sorted(lost)
