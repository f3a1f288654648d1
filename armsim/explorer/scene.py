"""The arm in three dimensions, with the error ellipsoid of its tool point magnified."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from nicegui import ui

from armsim.explorer.view_model import Posture

LINK, JOINT, ELLIPSOID = "#1f77b4", "#555555", "#d08a00"
SHARE = 0.12
"""Longest semi-axis of the ellipsoid in the view, relative to the size of the arm."""
STEPS = (1, 2, 5)
REDRAW_SCRIPT = """
const view = getElement(%d), draw = view.renderer.render.bind(view.renderer);
let last = '';
const rounded = numbers => numbers.map(number => number.toFixed(6));
view.scene.getObjectByProperty('object_id', 'ground').visible = false;
view.renderer.render = (scene, camera) => {
  const canvas = view.renderer.domElement;
  const state = [...rounded(camera.matrixWorld.elements), canvas.width, canvas.height];
  scene.traverse((part) => part.isMesh && state.push(part.id, part.visible, ...rounded([...part.position.toArray(),
    ...part.quaternion.toArray(), ...part.scale.toArray()]), part.material.color.getHex(), part.material.opacity));
  const now = state.join();
  if (now !== last) { last = now; draw(scene, camera); }
};
"""
"""Script that redraws the scene only after a change, so that a still picture costs the browser nothing.

The camera controls change the last bits of its position at every frame: only six decimals of a metre are compared.
It also hides the ground plane, so that links below the floor are visible.
"""


class Scene:
    """The three-dimensional view of the arm on a page."""

    def __init__(self) -> None:
        with (
            ui.element("div")
            .classes("pane")
            .style("flex: 1 1 44%; min-height: 200px; position: relative; overflow: hidden")
        ):
            self.scene = (
                ui.scene(width=560, height=280, grid=(2, 20), background_color="#f4f4f4")
                .classes("w-full h-full")
                .props("data-name=arm")
            )
            self.note = (
                ui.label()
                .classes("quiet")
                .style("position: absolute; left: 10px; bottom: 6px; color: #333")
                .props("data-name=scale")
            )
        self.scene.on("init", lambda: self.scene.client.run_javascript(REDRAW_SCRIPT % self.scene.id))
        self.parts: list[Any] = []
        self.size = 0.0
        self.points = np.zeros((0, 3))

    def show(self, posture: Posture) -> None:
        """Draw the arm and its error ellipsoid in a posture."""
        points = posture.points
        size = max(float(np.ptp(points, axis=0).max()), 1e-3)
        longest = float(posture.semi_axes.max())
        factor = _round(SHARE * size / longest) if longest > 0.0 else 1.0
        axes = np.maximum(factor * posture.semi_axes, 0.002 * size)
        self.note.set_text(f"ellipsoid of 95 % of errors, {factor:g} times as large")
        if self.parts and np.array_equal(points, self.points):
            self._set_ellipsoid(axes, posture)
            return
        self.points = points
        with self.scene:
            for part in self.parts:
                part.delete()
            self.parts = []
            for a, b in pairwise(points):
                length = float(np.linalg.norm(b - a))
                if length > 1e-6:
                    self.parts.append(_rod(self.scene, a, b, 0.02 * size).material(LINK))
            for point in points[:-1]:
                ball = self.scene.sphere(0.032 * size).material(JOINT)
                ball.move(*(float(x) for x in point))
                self.parts.append(ball)
            ellipsoid = self.scene.sphere(1.0).material(ELLIPSOID, opacity=0.75)
            ellipsoid.move(*(float(x) for x in points[-1]))
            self.parts.append(ellipsoid)
        self._set_ellipsoid(axes, posture)
        if not self.size:
            self.size = size
            middle = points.mean(axis=0)
            self.scene.move_camera(
                x=float(middle[0]), y=float(middle[1] - 1.05 * size), z=float(middle[2] + 0.25 * size),
                look_at_x=float(middle[0]), look_at_y=float(middle[1]), look_at_z=float(middle[2]), duration=0.0,
            )  # fmt: skip

    def _set_ellipsoid(self, axes: np.ndarray, posture: Posture) -> None:
        """Set size and orientation of the ellipsoid."""
        ellipsoid = self.parts[-1]
        ellipsoid.scale(*(float(x) for x in axes))
        ellipsoid.rotate_R(posture.directions.T.tolist())


def _rod(scene: Any, a: np.ndarray, b: np.ndarray, radius: float) -> Any:
    """A cylinder from one point to another; the axis of the unrotated cylinder is y."""
    direction = b - a
    length = float(np.linalg.norm(direction))
    y = direction / length
    helper = np.array([1.0, 0.0, 0.0]) if abs(y[0]) < 0.9 else np.array([0.0, 0.0, 1.0])
    x = np.cross(y, helper)
    x /= np.linalg.norm(x)
    rod = scene.cylinder(radius, radius, length)
    rod.rotate_R(np.stack([x, y, np.cross(x, y)], axis=1).tolist())
    rod.move(*(float(v) for v in (a + b) / 2.0))
    return rod


def _round(value: float) -> float:
    """Round down to 1, 2 or 5 times a power of ten."""
    power = 10.0 ** np.floor(np.log10(max(value, 1e-12)))
    return float(max(step * power for step in STEPS if step * power <= value * (1 + 1e-9)))
