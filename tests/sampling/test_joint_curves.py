"""Curves of joint errors against a dense evaluation of the same units. Source: sums of sines and cosines in this test."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from support import ROOT

from armsim.arrays import Array
from armsim.errormodel.shapes import Wave
from armsim.errormodel.terms import Axis
from armsim.model.machine import Machine
from armsim.results import JointCurve
from armsim.sampling.joint_budgets import joint_budgets
from armsim.sampling.random_draws import draw_units
from armsim.sampling_plan import SamplingPlan
from armsim.study import Study

SEED, UNITS = 3, 1024
SCENARIOS = {name: ROOT / "scenarios" / f"{name}.yaml" for name in ("bonding-cell", "track-cell", "seven-from-sheets")}


def dense(machine: Machine, number: int, position: Array, only_first: bool = False) -> Array:
    """Error of the joint, shape (positions, units), wave by wave; loads as at rest in the middle of the ranges."""
    joint = machine.joints[number]
    axis = Axis(joint.name)
    terms = [term for term in machine.terms if axis in term.axes and term.life == "unit"]
    coefficients = draw_units(terms, SamplingPlan(UNITS, 1, SEED))[:, : 1 if only_first else None]
    q = np.repeat(machine.arm.middle[None], len(position), axis=0)
    q[:, number] = position
    state = machine.states(q).joints[joint.name]
    total = np.zeros((len(position), coefficients.shape[1]))
    first = 0
    for term in terms:
        for act in term.acts:
            if act.axis == axis:
                shape = act.shape
                if isinstance(shape, Wave):
                    turn = np.sin if shape.function == "sin" else np.cos
                    value = shape.gain * turn(shape.order * position)
                else:
                    value = shape.value(state)
                total += np.outer(value, coefficients[first + act.coefficient])
        first += len(term.mean)
    return total


def curves(path: Path) -> tuple[Machine, dict[str, JointCurve]]:
    machine = Study.load(path).scenario.machine
    sheets = joint_budgets(machine, SEED, np.zeros(len(machine.joints)))
    return machine, {name: sheet.curve for name, sheet in sheets.items()}


def listed_orders(curve: JointCurve) -> list[float]:
    """Orders of waves that a reader can see: above a thousandth of the largest."""
    pairs = zip(curve.order, curve.rms, strict=True)
    return [order for order, rms in pairs if rms > 1e-3 * max(curve.rms)]


@pytest.mark.parametrize("name", SCENARIOS)
def test_a_curve_has_points_enough_or_ends(name: str) -> None:
    """A period has 16 points at least, common practice, no source; or the curve says what it sweeps."""
    for curve in curves(SCENARIOS[name])[1].values():
        step = curve.position[1] - curve.position[0]
        points = min((2 * math.pi / (order * step) for order in listed_orders(curve)), default=math.inf)
        assert (points < 16) == bool(curve.envelope_low) == (curve.detail is not None)
        if curve.detail is not None:
            apart = curve.detail.position[1] - curve.detail.position[0]
            assert 2 * math.pi / (curve.detail.order * apart) >= 16
            assert len(curve.detail.position) * apart >= 2.9 * 2 * math.pi / curve.detail.order


@pytest.mark.parametrize("name", SCENARIOS)
def test_what_a_unit_sweeps_is_what_it_does(name: str) -> None:
    """Bounds of a dense evaluation at 41 places, touched by it within a period of the coarsest of the fine waves."""
    machine, every = curves(SCENARIOS[name])
    for number, curve in enumerate(every.values()):
        if not curve.envelope_low:
            continue
        position = np.array(curve.position)
        step = position[1] - position[0]
        coarsest = min(order for order in listed_orders(curve) if order * step * 16 > 2 * math.pi)
        around = max(step, 2 * math.pi / coarsest)
        at = np.linspace(0.05, 0.95, 41) * (position[-1] - position[0]) + position[0]
        within = at[:, None] + around * np.linspace(-0.5, 0.5, 4001)
        error = dense(machine, number, within.ravel(), only_first=True)[:, 0].reshape(within.shape)
        low, high = np.interp(within, position, curve.envelope_low), np.interp(within, position, curve.envelope_high)
        wide, straight = (high - low).max(), 1e-4 * np.ptp(curve.unit)  # what is coarse is straight between points
        for beyond in (error - high, low - error):
            assert beyond.max() <= 0.02 * wide + straight
            assert beyond.max(axis=1).min() >= -0.04 * wide - straight


@pytest.mark.parametrize("name", SCENARIOS)
def test_the_band_bounds_the_quantiles_and_is_touched(name: str) -> None:
    """At every phase of the fine waves nearby, but for what 33 phases leave of two waves together."""
    machine, every = curves(SCENARIOS[name])
    for number, curve in list(enumerate(every.values()))[::2]:
        position = np.array(curve.position)
        step = position[1] - position[0]
        for at in (60, 360, 611):
            nearby = slice(at - 16, at + 17)
            ends = step * np.linspace(-16, 16, 1601) if curve.envelope_low else step * np.arange(-16, 17)
            low, high = np.quantile(dense(machine, number, position[at] + ends), (0.025, 0.975), axis=1)
            wide = curve.high[at] - curve.low[at]
            close = np.abs(ends) <= 0.5 * step
            assert high[close].max() <= curve.high[at] + 0.04 * wide
            assert low[close].min() >= curve.low[at] - 0.04 * wide
            assert high.max() >= min(curve.high[nearby]) - 0.02 * wide
            assert low.min() <= max(curve.low[nearby]) + 0.02 * wide


@pytest.mark.parametrize("name", SCENARIOS)
def test_points_and_details_are_those_of_the_unit(name: str) -> None:
    machine, every = curves(SCENARIOS[name])
    for number, curve in enumerate(every.values()):
        size = max(map(abs, curve.unit)) + 1e-30
        expected = dense(machine, number, np.array(curve.position), only_first=True)[:, 0]
        # waves that nobody sees may be left out of a point
        assert np.abs(expected - curve.unit).max() < 1e-2 * size
        if curve.detail is not None:
            expected = dense(machine, number, np.array(curve.detail.position), only_first=True)[:, 0]
            assert np.abs(expected - curve.detail.unit).max() < 1e-2 * size
