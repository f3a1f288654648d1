"use strict";
// Scenes that turn: parallel projection onto a canvas, the farthest part first.
for (const data of document.querySelectorAll("script.scene")) {
  const place = data.previousElementSibling, still = place.previousElementSibling;
  const canvas = place.querySelector("canvas"), told = place.querySelector(".told");
  const scene = JSON.parse(data.textContent), pen = canvas.getContext("2d");
  if (!pen) continue;
  place.hidden = false;
  still.hidden = !scene.is_addition;
  const spans = scene.low.map((low, k) => scene.high[k] - low), rough = (Math.hypot(...spans) || 1) / 6;
  const power = 10 ** Math.floor(Math.log10(rough)), step = [1, 2, 5, 10].map(n => n * power).find(n => n >= rough);
  const floor = [0, 1].map(k => {
    const low = Math.floor(scene.low[k] / step) * step;
    return [low, Math.max(Math.ceil(scene.high[k] / step) * step, low + step)];
  });
  const box = [...floor, [scene.low[2], scene.high[2]]];
  const middle = box.map(([low, high]) => (low + high) / 2), extent = Math.hypot(...box.map(([low, high]) => high - low));
  // half sizes of the upright cylinder about all of it: its picture has the same size from all sides
  const radius = Math.hypot(...floor.map(([low, high]) => high - low)) / 2, half = (box[2][1] - box[2][0]) / 2;
  const margin = {side: 56, top: 44, bottom: 56};  // of labels and buttons
  const first = {azimuth: scene.azimuth, elevation: scene.elevation, zoom: 1};
  const view = {...first};
  let spots = [], width = 0, height = 0, waiting = false;

  function draw() {
    waiting = false;
    const sharp = devicePixelRatio || 1;
    width = canvas.clientWidth; height = canvas.clientHeight;
    canvas.width = width * sharp; canvas.height = height * sharp;
    pen.setTransform(sharp, 0, 0, sharp, 0, 0);
    pen.fillStyle = "#ffffff"; pen.fillRect(0, 0, width, height);
    const a = view.azimuth * Math.PI / 180, e = view.elevation * Math.PI / 180;
    const right = [-Math.sin(a), Math.cos(a), 0];
    const up = [-Math.sin(e) * Math.cos(a), -Math.sin(e) * Math.sin(a), Math.cos(e)];
    const near = [Math.cos(e) * Math.cos(a), Math.cos(e) * Math.sin(a), Math.sin(e)];
    const dot = (u, v) => u[0] * v[0] + u[1] * v[1] + u[2] * v[2];
    const tall = half * Math.cos(e) + radius * Math.abs(Math.sin(e)), free = height - margin.top - margin.bottom;
    const scale = view.zoom * Math.min((width - 2 * margin.side) / radius, free / tall) / 2;
    const at = point => {
      const from = point.map((x, k) => x - middle[k]);
      return [width / 2 + scale * dot(from, right), margin.top + free / 2 - scale * dot(from, up), dot(from, near)];
    };
    const path = (points, colour, thick) => {
      pen.beginPath();
      points.forEach((point, n) => { const [x, y] = at(point); n ? pen.lineTo(x, y) : pen.moveTo(x, y); });
      pen.strokeStyle = colour; pen.lineWidth = thick; pen.lineJoin = pen.lineCap = "round"; pen.stroke();
    };
    // floor with its scale
    const z = scene.low[2], [xs, ys] = floor;
    pen.font = "12px system-ui, sans-serif"; pen.textBaseline = "middle"; pen.textAlign = "center";
    const ends = [near[0] > 0 ? xs[1] : xs[0], near[1] > 0 ? ys[1] : ys[0]];
    const labelled = (point, away, distance, text) => {
      const [x, y] = at(point), [u, v] = [scale * dot(away, right), -scale * dot(away, up)], length = Math.hypot(u, v) || 1;
      pen.fillStyle = "#56606b"; pen.fillText(text, x + distance * u / length, y + 0.8 * distance * v / length);
    };
    const gridded = (k, range, line, point, away) => {
      const count = Math.round((range[1] - range[0]) / step);
      for (let n = 0; n <= count; n++) {
        const value = Number((range[0] + n * step).toPrecision(6));
        path(line(value), "#d5dae0", 1);
        if (n !== (near[k] > 0 ? count : 0)) labelled(point(value), away, 22, String(value).replace("-", "\u2212"));
      }
      labelled(point((range[0] + range[1]) / 2), away, 56, "xy"[k] + " [mm]");
    };
    gridded(0, xs, x => [[x, ys[0], z], [x, ys[1], z]], x => [x, ends[1], z], [0, near[1] > 0 ? 1 : -1, 0]);
    gridded(1, ys, y => [[xs[0], y, z], [xs[1], y, z]], y => [ends[0], y, z], [near[0] > 0 ? 1 : -1, 0, 0]);
    const base = scene.arm[0];
    path([[base[0], base[1], z], base], "#9aa3ad", 1);

    // everything else, by depth
    spots = [];
    const parts = [];
    for (const face of scene.faces) {
      const corners = face.corners.map(at);
      parts.push([corners.reduce((sum, c) => sum + c[2], 0) / corners.length, () => {
        pen.beginPath();
        corners.forEach(([x, y], n) => n ? pen.lineTo(x, y) : pen.moveTo(x, y));
        pen.closePath(); pen.fillStyle = pen.strokeStyle = face.colour; pen.lineWidth = 0.6; pen.fill(); pen.stroke();
        const x = corners.reduce((sum, c) => sum + c[0], 0) / 4, y = corners.reduce((sum, c) => sum + c[1], 0) / 4;
        spots.push([x, y, face.text]);
      }]);
    }
    for (const line of scene.lines) for (let n = 1; n < line.length; n++) {
      const pair = [line[n - 1], line[n]];
      parts.push([Math.max(...pair.map(point => at(point)[2])) + 1e-3 * extent, () => path(pair, "#c1121f", 2)]);
    }
    for (const one of scene.ellipsoids) {
      const [x, y, depth] = at(one.at);
      parts.push([depth, () => { ellipsoid(one, x, y, scale, right, up, near, dot); spots.push([x, y, one.text]); }]);
    }
    for (let n = 1; n < scene.arm.length; n++) {
      const pair = [scene.arm[n - 1], scene.arm[n]], depth = pair.reduce((sum, point) => sum + at(point)[2], 0) / 2;
      parts.push([depth, () => {
        path(pair, "#ffffff", 7); path(pair, "#222222", 4);
        for (const point of pair) { const [x, y] = at(point); pen.beginPath(); pen.arc(x, y, 4, 0, 7); pen.fillStyle = "#222222"; pen.fill(); }
      }]);
    }
    parts.sort((one, two) => one[0] - two[0]);
    for (const [, paint] of parts) paint();
  }

  // The outline of an ellipsoid with semi-axes as rows of A, seen along `near`: the ellipse of M M^T, M = projection of A.
  function ellipsoid(one, x, y, scale, right, up, near, dot) {
    const u = one.axes.map(axis => scale * dot(axis, right)), v = one.axes.map(axis => -scale * dot(axis, up));
    const xx = dot(u, u), xy = dot(u, v), yy = dot(v, v);
    const mean = (xx + yy) / 2, off = Math.hypot((xx - yy) / 2, xy);
    const long = Math.sqrt(mean + off), short = Math.sqrt(Math.max(mean - off, 0)), angle = Math.atan2(2 * xy, xx - yy) / 2;
    const colour = one.worst ? "193,18,31" : "31,78,121";
    pen.beginPath(); pen.ellipse(x, y, Math.max(long, 1), Math.max(short, 1), angle, 0, 2 * Math.PI);
    pen.fillStyle = `rgba(${colour},.45)`; pen.fill();
    pen.strokeStyle = `rgb(${colour})`; pen.lineWidth = 1.2; pen.stroke();
    for (const [i, j] of [[0, 1], [1, 2], [0, 2]]) {  // the sections through two axes each, the half in front
      pen.beginPath();
      let drawing = false;
      for (let n = 0; n <= 48; n++) {
        const c = Math.cos(n * Math.PI / 24), s = Math.sin(n * Math.PI / 24);
        const front = c * dot(one.axes[i], near) + s * dot(one.axes[j], near) >= 0;
        const to = [x + c * u[i] + s * u[j], y + c * v[i] + s * v[j]];
        front && drawing ? pen.lineTo(...to) : pen.moveTo(...to);
        drawing = front;
      }
      pen.strokeStyle = `rgba(${colour},.8)`; pen.lineWidth = 0.8; pen.stroke();
    }
  }

  const redraw = () => { if (!waiting) { waiting = true; requestAnimationFrame(draw); } };
  const turn = (azimuth, elevation) => {
    view.azimuth += azimuth; view.elevation = Math.max(-89, Math.min(89, view.elevation + elevation)); redraw();
  };
  const zoom = factor => { view.zoom = Math.max(0.5, Math.min(8, view.zoom * factor)); redraw(); };
  const actions = {
    left: () => turn(-10, 0), right: () => turn(10, 0), up: () => turn(0, 10), down: () => turn(0, -10),
    closer: () => zoom(1.25), farther: () => zoom(0.8), reset: () => { Object.assign(view, first); redraw(); },
  };
  const keys = {ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down", "+": "closer", "-": "farther", Home: "reset"};
  place.addEventListener("keydown", event => {
    if (!(event.key in keys) || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault(); actions[keys[event.key]]();
  });
  for (const button of place.querySelectorAll("button")) button.addEventListener("click", () => actions[button.value]());
  canvas.addEventListener("pointerdown", event => { canvas.setPointerCapture(event.pointerId); });
  canvas.addEventListener("pointermove", event => {
    if (event.buttons & 1) { turn(-0.4 * event.movementX, 0.4 * event.movementY); told.hidden = true; return; }
    const box = canvas.getBoundingClientRect(), x = event.clientX - box.left, y = event.clientY - box.top;
    let best = null, least = 22 ** 2;
    for (const spot of spots) {  // the nearest in front: painted last
      const away = (spot[0] - x) ** 2 + (spot[1] - y) ** 2;
      if (away <= least) { least = away; best = spot; }
    }
    told.hidden = best === null;
    if (best === null) return;
    told.textContent = best[2];
    told.style.top = (best[1] + 12) + "px";
    if (best[0] < width / 2) { told.style.left = best[0] + "px"; told.style.right = "auto"; } else { told.style.right = (width - best[0]) + "px"; told.style.left = "auto"; }
  });
  canvas.addEventListener("pointerleave", () => { told.hidden = true; });
  canvas.addEventListener("wheel", event => {
    if (!event.ctrlKey && document.activeElement !== canvas) return;  // else the page scrolls
    event.preventDefault(); zoom(event.deltaY < 0 ? 1.1 : 1 / 1.1);
  }, {passive: false});
  new ResizeObserver(redraw).observe(canvas);
  place.turningView = view;
}
