// Matrices (16 numbers, column by column, as WebGL reads them) and the outlines of robot and blind zones.

export function identity() { return [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]; }

export function multiply(a, b) {
  const out = new Array(16).fill(0);
  for (let c = 0; c < 4; c++) for (let r = 0; r < 4; r++) for (let k = 0; k < 4; k++) out[4 * c + r] += a[4 * k + r] * b[4 * c + k];
  return out;
}

// from (3, 4) row by row
export function fromRows(m, scale = 1) {
  return [m[0] * scale, m[4] * scale, m[8] * scale, 0, m[1] * scale, m[5] * scale, m[9] * scale, 0, m[2] * scale, m[6] * scale, m[10] * scale, 0, m[3], m[7], m[11], 1];
}

export function perspective(angle, aspect, near, far) {
  const f = 1 / Math.tan(angle / 2), d = near - far;
  return [f / aspect, 0, 0, 0, 0, f, 0, 0, 0, 0, (far + near) / d, -1, 0, 0, (2 * far * near) / d, 0];
}

// camera about `target`, z up: yaw counter-clockwise from behind the robot, pitch down from level
export function orbit({ target, distance, yaw, pitch }) {
  const [cy, sy, cp, sp] = [Math.cos(yaw), Math.sin(yaw), Math.cos(pitch), Math.sin(pitch)];
  const right = [sy, -cy, 0], ahead = [cy * cp, sy * cp, -sp], up = [cy * sp, sy * sp, cp];
  const eye = target.map((t, k) => t - distance * ahead[k]);
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  return [
    right[0], up[0], -ahead[0], 0, right[1], up[1], -ahead[1], 0, right[2], up[2], -ahead[2], 0,
    -dot(right, eye), -dot(up, eye), dot(ahead, eye), 1,
  ];
}

export function moved(m, [x, y, z]) {
  return [m[0] * x + m[1] * y + m[2] * z + m[3], m[4] * x + m[5] * y + m[6] * z + m[7], m[8] * x + m[9] * y + m[10] * z + m[11]];
}

const RADIANS = Math.PI / 180;

function ring(x, y, radius, z, first = 0, last = 360) {
  const n = Math.max(2, Math.ceil(Math.abs(last - first) / 6));
  return Array.from({ length: n + 1 }, (_, k) => {
    const turn = (first + ((last - first) * k) / n) * RADIANS;
    return [x + radius * Math.cos(turn), y + radius * Math.sin(turn), z];
  });
}

function upright(foot, low, high) {
  const closed = foot.map(([x, y]) => [x, y]);
  const at = (z) => closed.map(([x, y]) => [x, y, z]);
  const edges = foot.length > 12 ? [] : closed.map(([x, y]) => [[x, y, low], [x, y, high]]);
  return [at(low), at(high), ...edges];
}

export function boxLines([x0, x1], [y0, y1], [z0, z1]) {
  return upright([[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]], z0, z1);
}

// lines (lists of points) around a blind zone, body frame; `top` stands for "every height"
export function zoneLines(zone, mount, top = 2) {
  if (zone.box) return boxLines(zone.box.x, zone.box.y, zone.box.z);
  const shape = zone.cylinder || zone.sector;
  const [low, high] = shape.z || [0, top];
  if (zone.cylinder) return upright(ring(shape.x, shape.y, shape.radius, 0), low, high);
  const last = shape.last > shape.first ? shape.last : shape.last + 360;
  const outer = ring(mount.x, mount.y, shape.far, 0, shape.first, last);
  const inner = shape.near > 0 ? ring(mount.x, mount.y, shape.near, 0, last, shape.first) : [[mount.x, mount.y, 0]];
  const foot = [...outer, ...inner, outer[0]];
  const ends = [outer[0], outer[outer.length - 1]].map(([x, y]) => [[x, y, low], [x, y, high]]);
  return [...upright(foot, low, high), ...ends];
}

export function robotLines(robot) {
  const [l, w] = [robot.length / 2, robot.width / 2];
  const nose = [[l - Math.min(0.3, l), w * 0.6, 0], [l, 0, 0], [l - Math.min(0.3, l), -w * 0.6, 0]];
  return [...boxLines([-l, l], [-w, w], [0, robot.height]), nose];
}

// a round length of about this much: 1, 2 or 5 times a power of ten
export function nice(length) {
  const power = 10 ** Math.floor(Math.log10(length));
  return Math.max(...[1, 2, 5].map((part) => part * power).filter((part) => part <= length * 1.000001));
}

export function metres(value) { return `${+value.toFixed(2)} m`; }
