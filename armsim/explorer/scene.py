"""The arm in three dimensions, with its magnified error ellipsoid and the map at its place in space."""

from __future__ import annotations

import base64
import io
import json
import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
from nicegui import ui

from armsim.arrays import Array
from armsim.explorer.chart_export import SAVE_URL, export_menu, file_name
from armsim.explorer.charts import SCALE
from armsim.explorer.session import Session
from armsim.explorer.space_map import SpaceMap
from armsim.explorer.view_model import Posture

LINK, JOINT, ELLIPSOID = "#3f8fd0", "#7d7d7d", "#d08a00"
BACKGROUNDS = {False: "#f4f4f4", True: "#1c1c1c"}
"""Background of the scene on a light and on a dark page."""
SHARE = 0.12
"""Longest semi-axis of the ellipsoid in the view, relative to the size of the arm."""
VIEW_ANGLE = 40.0
"""Vertical angle of view. [deg]"""
VIEW = np.array([0.18, -1.0, 0.28])
"""Direction from the arm to the camera."""
FILLED = 0.42
"""Distance from the middle to the edge of the view, relative to the diagonal of all points; their sphere has 0.5."""
CELL = 6
"""Pixels along a cell of the map, which the renderer would otherwise blur into its neighbours."""
STEPS = (1, 2, 5)
REDRAW_SCRIPT = """
const view = getElement(%d), draw = view.renderer.render.bind(view.renderer);
let last = '';
const rounded = numbers => numbers.map(number => number.toFixed(6));
view.scene.getObjectByProperty('object_id', 'ground').visible = false;
const flat = (material) => {
  material.userData.flat = material.forceSinglePass = true;
  material.map.colorSpace = 'srgb';
  material.map.needsUpdate = material.needsUpdate = true;
  material.emissiveMap = material.map;
  material.emissive.set(1, 1, 1);
  material.color.set(0, 0, 0);
};
const canvas = view.renderer.domElement, angle = %g, half = Math.tan(angle * Math.PI / 360);
view.picture = () => { draw(view.scene, view.camera); return canvas.toDataURL(); };
view.renderer.render = (scene, camera) => {
  const vertical = camera.aspect < 1 ? 360 / Math.PI * Math.atan(half / camera.aspect) : angle;
  if (camera.fov !== vertical) { camera.fov = vertical; camera.updateProjectionMatrix(); }
  scene.traverse((part) => part.material?.map?.image && !part.material.userData.flat && flat(part.material));
  const state = [...rounded(camera.matrixWorld.elements), canvas.width, canvas.height, view.ground];
  scene.traverse((part) => part.isMesh && state.push(part.id, part.visible, ...rounded([...part.position.toArray(),
    ...part.quaternion.toArray(), ...part.scale.toArray()]), part.material.color.getHex(), part.material.opacity,
    !!part.material.userData.flat, part.material.id));
  scene.traverse((part) => part.isPoints && state.push(part.id, part.geometry.attributes.color?.array.join() ?? ''));
  const now = state.join();
  if (now !== last) { last = now; draw(scene, camera); }
};
"""
"""Script that redraws the scene only after a change, so that a still picture costs the browser nothing.

The camera controls change the last bits of its position at every frame: only six decimals of a metre are compared.
It also hides the ground plane, so that links below the floor are visible, and shows the map in its own colours, without
light and shade. In a view that is higher than wide the angle holds for its width, so that nothing is cut off.
"""
EXPORT_SCRIPT = SAVE_URL + "save(getElement(%s).picture(), %s);"
WITHOUT_WEBGL = """<script>
if (!document.createElement('canvas').getContext('webgl2')) document.documentElement.classList.add('without-webgl');
</script>"""
"""Script that marks a browser without three-dimensional pictures, for the note in place of the arm."""
BACKGROUND_SCRIPT = """
const view = getElement(%d);
if (view?.renderer) { view.renderer.setClearColor('%s'); view.ground = '%s'; }
"""


class Scene:
    """The three-dimensional view of the arm on a page."""

    def __init__(self, session: Session) -> None:
        self.session, self.design = session, ""
        ui.add_body_html(WITHOUT_WEBGL)
        with ui.element("section").classes("pane scene-pane").props('aria-label="arm"'):
            self.scene = (
                ui.scene(
                    width=560,
                    height=280,
                    grid=(2, 20),
                    background_color=BACKGROUNDS[False],
                    camera=ui.scene.perspective_camera(fov=VIEW_ANGLE, near=0.01, far=1000),
                )
                .classes("w-full h-full")
                .props("data-name=arm")
            )
            self.note = ui.label().classes("quiet scene-note").props("data-name=scale")
            ui.label("This browser has no WebGL: the arm is not drawn.").classes("webgl-note")
            export_menu("the picture of the arm", {"PNG": self._export})
        self.scene.on("init", self._begin)
        self.parts: list[Any] = []
        self.map_parts: list[Any] = []
        self.points = np.zeros((0, 3))
        self.map_key: object = None
        self.framed: object = None
        self.dark = False

    def _begin(self) -> None:
        self.scene.client.run_javascript(REDRAW_SCRIPT % (self.scene.id, VIEW_ANGLE))
        self.colour(self.dark)

    def _export(self) -> None:
        name = json.dumps(f"{file_name(self.session.file.stem, self.design, 'arm')}.png")
        self.scene.client.run_javascript(EXPORT_SCRIPT % (self.scene.id, name))

    def colour(self, dark: bool) -> None:
        """Set the background for a light or a dark page."""
        self.dark = dark
        colour = BACKGROUNDS[dark]
        self.scene.client.run_javascript(BACKGROUND_SCRIPT % (self.scene.id, colour, colour))

    def show(self, posture: Posture, design: str) -> None:
        """Draw the arm and its error ellipsoid in a posture, of a design by its name."""
        self.design = design
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

    def frame(self, key: object, points_in_view: Callable[[], Array]) -> None:
        """Move the camera so that all points are in view; the same ``key`` leaves it where the user has moved it."""
        if key == self.framed:
            return
        self.framed = key
        points = points_in_view()
        low, high = points.min(axis=0), points.max(axis=0)
        middle, radius = (low + high) / 2.0, max(FILLED * float(np.linalg.norm(high - low)), 1e-3)
        direction = VIEW / np.linalg.norm(VIEW)
        x, y, z = middle + direction * radius / math.sin(math.radians(VIEW_ANGLE) / 2.0)
        self.scene.move_camera(
            x=float(x), y=float(y), z=float(z), look_at_x=float(middle[0]), look_at_y=float(middle[1]),
            look_at_z=float(middle[2]), duration=0.0,
        )  # fmt: skip

    def show_map(self, key: object, space_map: SpaceMap) -> None:
        """Draw the map of the task where its poses are: a cut of cells, or points; the same ``key`` is not resent."""
        if key == self.map_key:
            return
        self.map_key = key
        colours = _colours(space_map.relative)
        with self.scene:
            if space_map.corners is not None:
                url = _picture(colours)
                corners = space_map.corners.tolist()
                if self.map_parts and isinstance(self.map_parts[0], ui.scene.texture):
                    self.map_parts[0].set_coordinates(corners).set_url(url)
                    return
                self._clear_map()
                self.map_parts = [self.scene.texture(url, corners)]
                return
            self._clear_map()
            rgb = colours[..., :3].reshape(-1, 3).tolist()
            self.map_parts = [self.scene.point_cloud(space_map.points.tolist(), rgb, space_map.size)]

    def _clear_map(self) -> None:
        for part in self.map_parts:
            part.delete()
        self.map_parts = []

    def _set_ellipsoid(self, axes: np.ndarray, posture: Posture) -> None:
        """Set size and orientation of the ellipsoid."""
        ellipsoid = self.parts[-1]
        ellipsoid.scale(*(float(x) for x in axes))
        ellipsoid.rotate_R(posture.directions.T.tolist())


def _colours(relative: Array) -> Array:
    """Colours of relative values, those of the map; transparent where a value is nan."""
    from matplotlib import colormaps

    colours: Array = np.array(colormaps[SCALE.lower()](np.nan_to_num(relative)))
    colours[np.isnan(relative), 3] = 0.0
    return colours


def _picture(colours: Array) -> str:
    """Picture of cells as a data address."""
    from matplotlib.image import imsave

    buffer = io.BytesIO()
    imsave(buffer, np.repeat(np.repeat(colours, CELL, axis=0), CELL, axis=1), format="png")
    return f"data:image/png;base64,{base64.b64encode(buffer.getvalue()).decode()}"


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
