// The returns in space, with robot, blind zones and the scan. The returns lie in the graphics memory as they
// came, in the sensor's own axes: moving the mount moves a matrix.

import { THEME } from "./theme.js";
import { fromRows, identity, moved, multiply, orbit, perspective, robotLines, zoneLines } from "./geometry.js";

const POINTS = `
attribute vec3 step; attribute float fate;
uniform mat4 matrix; uniform vec4 colours[8]; uniform float sizes[8]; uniform float pixel;
varying vec4 colour;
void main() {
  int k = int(fate + 0.5);
  colour = colours[k];
  gl_Position = matrix * vec4(step, 1.0);
  if (colour.a == 0.0) gl_Position = vec4(2.0, 2.0, 2.0, 1.0);
  gl_PointSize = pixel * sizes[k] * clamp(26.0 / gl_Position.w, 1.5, 5.0);
}`;
const ROUND = `
precision mediump float; varying vec4 colour;
void main() { vec2 off = gl_PointCoord - 0.5; if (dot(off, off) > 0.25) discard; gl_FragColor = colour; }`;
const LINES = `
attribute vec3 place; attribute vec4 tint; uniform mat4 matrix; varying vec4 colour;
void main() { colour = tint; gl_Position = matrix * vec4(place, 1.0); }`;
const PLAIN = "precision mediump float; varying vec4 colour; void main() { gl_FragColor = colour; }";

const VIEWS = {
  free: { target: [1.5, 0, 0.3], distance: 9, yaw: 0.45, pitch: 0.5 },
  top: { target: [1.5, 0, 0], distance: 16, yaw: 0, pitch: Math.PI / 2 - 0.001 },
  side: { target: [1.5, 0, 0.5], distance: 9, yaw: Math.PI / 2, pitch: 0.03 },
};
const RINGS = [2, 5, 10, 20];

export class Space {
  constructor(canvas) {
    this.canvas = canvas;
    this.gl = canvas.getContext("webgl", { antialias: true, alpha: false, preserveDrawingBuffer: true });
    this.hidden = new Set();
    this.show("free");
    if (!this.gl) return;
    this.points = build(this.gl, POINTS, ROUND);
    this.lines = build(this.gl, LINES, PLAIN);
    this.buffers = { step: this.gl.createBuffer(), fate: this.gl.createBuffer(), place: this.gl.createBuffer(), tint: this.gl.createBuffer() };
    this.count = 0;
    this.segments = 0;
    listen(canvas, this);
    canvas.addEventListener("webglcontextlost", (event) => { event.preventDefault(); location.reload(); });
  }

  show(name) { this.camera = structuredClone(VIEWS[name]); this.later(); }

  later() {
    if (this.awaited) return;
    this.awaited = true;
    requestAnimationFrame(() => { this.awaited = false; this.draw(); });
  }

  take(picture) {
    this.picture = picture;
    const gl = this.gl;
    if (!gl) return;
    if (picture.number !== this.number) {
      fill(gl, this.buffers.step, picture.points);
      this.number = picture.number;
    }
    fill(gl, this.buffers.fate, picture.fates);
    this.count = picture.fates.length;
    this.takeLines(picture);
    this.later();
  }

  takeLines({ head, ranges, heights, states, leaking }) {
    const places = [], tints = [];
    const line = (points, tint) => {
      for (let k = 0; k + 1 < points.length; k++) { places.push(...points[k], ...points[k + 1]); tints.push(...tint, ...tint); }
    };
    for (const radius of RINGS) {
      line(Array.from({ length: 73 }, (_, k) => [radius * Math.cos(k * Math.PI / 36), radius * Math.sin(k * Math.PI / 36), 0]), rgba("#dedad2"));
    }
    const { profile } = head.state;
    const inLevel = (points) => points.map((point) => moved(head.body, point));
    for (const outline of robotLines(profile.robot)) line(inLevel(outline), rgba(THEME.ink));
    const off = new Set(head.state.groups.filter((group) => group.zone && !group.on).map((group) => group.zone));
    for (const zone of profile.blind_zones || []) {
      if (!off.has(zone.name)) for (const outline of zoneLines(zone, profile.mount)) line(inLevel(outline), rgba(THEME.zone));
    }
    const { first, step } = head.fan;
    for (let k = 0; k < ranges.length; k++) {
      if (states[k] !== THEME.states.HIT) continue;
      const ends = [first + k * step, first + (k + 1) * step];
      line(ends.map((turn) => [ranges[k] * Math.cos(turn), ranges[k] * Math.sin(turn), heights[k]]), rgba(leaking[k] ? THEME.leak : THEME.hit));
    }
    fill(this.gl, this.buffers.place, new Float32Array(places));
    fill(this.gl, this.buffers.tint, new Float32Array(tints));
    this.segments = places.length / 3;
  }

  draw() {
    const { gl, canvas, picture } = this;
    if (!gl || !picture) return;
    const ratio = window.devicePixelRatio || 1, w = Math.round(canvas.clientWidth * ratio), h = Math.round(canvas.clientHeight * ratio);
    if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
    gl.viewport(0, 0, w, h);
    gl.clearColor(1, 1, 1, 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.enable(gl.DEPTH_TEST);
    const seen = multiply(perspective(0.9, w / Math.max(h, 1), 0.05, 700), orbit(this.camera));
    this.drawPoints(multiply(seen, fromRows(picture.head.sensor, picture.head.scale)), ratio);
    this.drawLines(seen);
  }

  drawPoints(matrix, ratio) {
    const { gl, points } = this;
    gl.useProgram(points.program);
    gl.uniformMatrix4fv(points.at("matrix"), false, matrix);
    const tints = THEME.fates.flatMap((fate, k) => [...rgba(fate.colour).slice(0, 3), this.hidden.has(k) ? 0 : 1]);
    gl.uniform4fv(points.at("colours"), tints);
    gl.uniform1fv(points.at("sizes"), THEME.fates.map((fate) => fate.size));
    gl.uniform1f(points.at("pixel"), ratio);
    points.feed("step", this.buffers.step, 3, gl.SHORT);
    points.feed("fate", this.buffers.fate, 1, gl.UNSIGNED_BYTE);
    gl.drawArrays(gl.POINTS, 0, this.count);
  }

  drawLines(matrix) {
    const { gl, lines } = this;
    gl.useProgram(lines.program);
    gl.uniformMatrix4fv(lines.at("matrix"), false, matrix || identity());
    lines.feed("place", this.buffers.place, 3, gl.FLOAT);
    lines.feed("tint", this.buffers.tint, 4, gl.FLOAT);
    gl.drawArrays(gl.LINES, 0, this.segments);
  }

  turn(dx, dy) {
    this.camera.yaw -= dx * 0.008;
    this.camera.pitch = Math.min(Math.PI / 2 - 0.001, Math.max(-0.3, this.camera.pitch + dy * 0.008));
    this.later();
  }

  pan(dx, dy) {
    const { camera } = this, far = (camera.distance / this.canvas.clientHeight) * 0.97;
    const [cy, sy] = [Math.cos(camera.yaw), Math.sin(camera.yaw)];
    camera.target[0] += far * (-dx * sy + dy * cy);
    camera.target[1] += far * (dx * cy + dy * sy);
    this.later();
  }

  zoom(by) { this.camera.distance = Math.min(150, Math.max(0.6, this.camera.distance * by)); this.later(); }
}

function build(gl, vertex, fragment) {
  const program = gl.createProgram();
  for (const [kind, text] of [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]]) {
    const shader = gl.createShader(kind);
    gl.shaderSource(shader, text);
    gl.compileShader(shader);
    gl.attachShader(program, shader);
  }
  gl.linkProgram(program);
  if (!gl.getProgramParameter(program, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(program));
  const places = {};
  return {
    program,
    at: (name) => (places[name] ??= gl.getUniformLocation(program, name)),
    feed: (name, buffer, size, type) => {
      const at = gl.getAttribLocation(program, name);
      gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
      gl.enableVertexAttribArray(at);
      gl.vertexAttribPointer(at, size, type, false, 0, 0);
    },
  };
}

function fill(gl, buffer, array) {
  gl.bindBuffer(gl.ARRAY_BUFFER, buffer);
  gl.bufferData(gl.ARRAY_BUFFER, array, gl.DYNAMIC_DRAW);
}

export function rgba(hex) {
  return [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16) / 255).concat(1);
}

// one finger or button turns, two fingers (or the right button, or Shift) shift and zoom
function listen(canvas, space) {
  const fingers = new Map();
  canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, [event.clientX, event.clientY]);
  });
  canvas.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    const now = [event.clientX, event.clientY], [dx, dy] = [now[0] - before[0], now[1] - before[1]];
    const other = [...fingers].find(([id]) => id !== event.pointerId)?.[1];
    if (other) {
      const apart = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]);
      space.zoom(apart(before) / Math.max(apart(now), 1));
      space.pan(dx / 2, dy / 2);
    } else if (event.shiftKey || event.buttons === 2) space.pan(dx, dy);
    else space.turn(dx, dy);
    fingers.set(event.pointerId, now);
  });
  for (const kind of ["pointerup", "pointercancel"]) canvas.addEventListener(kind, (event) => fingers.delete(event.pointerId));
  canvas.addEventListener("wheel", (event) => { event.preventDefault(); space.zoom(Math.exp(event.deltaY * 0.0012)); }, { passive: false });
  canvas.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: [20, 0], ArrowRight: [-20, 0], ArrowUp: [0, 20], ArrowDown: [0, -20] }[event.key];
    if (step) { event.preventDefault(); event.stopPropagation(); space.turn(...step); }
    if (event.key === "+" || event.key === "-") space.zoom(event.key === "+" ? 0.85 : 1.18);
  });
}
