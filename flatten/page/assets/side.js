// Heights over distance, with the slice's borders: along the robot, or all bearings folded into one.

import { THEME } from "./theme.js";
import { fitted } from "./plan.js";
import { moved, nice, robotLines } from "./geometry.js";

const ORDER = [0, 3, 2, 4, 1, 5, 6, 7]; // pale ones below, what matters above
const EDGE = { left: 44, right: 10, top: 8, bottom: 24 };

export class Side {
  constructor(canvas) {
    this.canvas = canvas;
    this.sheet = document.createElement("canvas"); // where the dots are set
    this.round = true;
    this.far = 12;
    canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.far = Math.min(60, Math.max(2, this.far * (event.deltaY > 0 ? 1.2 : 1 / 1.2)));
      this.later();
    }, { passive: false });
  }

  take(picture, hidden) { this.picture = picture; this.hidden = hidden; this.later(); }

  later() {
    if (this.awaited) return;
    this.awaited = true;
    requestAnimationFrame(() => { this.awaited = false; this.draw(); });
  }

  draw() {
    if (!this.picture) return;
    const { pen, w, h, ratio } = fitted(this.canvas), { head } = this.picture;
    const band = head.state.profile.slices[head.state.slice];
    const low = Math.min(-0.3, band.bottom - 0.2), high = Math.max(1.6, band.top + 0.35);
    const area = { x: EDGE.left, y: EDGE.top, w: w - EDGE.left - EDGE.right, h: h - EDGE.top - EDGE.bottom };
    const least = this.round ? 0 : -this.far * 0.35, most = this.far;
    const to = {
      x: (v) => area.x + ((v - least) / (most - least)) * area.w,
      y: (v) => area.y + area.h - ((v - low) / (high - low)) * area.h,
    };
    this.axes(pen, area, to, { least, most, low, high });
    this.band(pen, area, to, band, { least, most });
    this.dots(pen, area, to, ratio, { least, most, low, high });
    if (!this.round) this.robot(pen, to);
  }

  axes(pen, area, to, { least, most, low, high }) {
    pen.fillStyle = "#fff";
    const apart = nice((most - least) / 6), up = nice((high - low) / Math.max(2, area.h / 34));
    pen.textAlign = "center";
    for (let x = Math.ceil(least / apart) * apart; x <= most + 1e-9; x += apart) {
      line(pen, "#ebe8e1", [to.x(x), area.y], [to.x(x), area.y + area.h]);
      pen.fillStyle = THEME.soft;
      const last = x + apart > most;
      if (!last) pen.fillText(+x.toFixed(2), to.x(x), area.y + area.h + 15);
    }
    pen.textAlign = "right";
    pen.fillText(this.round ? "distance, m" : "ahead, m", area.x + area.w, area.y + area.h + 15);
    for (let y = Math.ceil(low / up) * up; y <= high; y += up) {
      line(pen, Math.abs(y) < 1e-9 ? "#8f8a80" : "#ebe8e1", [area.x, to.y(y)], [area.x + area.w, to.y(y)]);
      pen.fillStyle = THEME.soft;
      pen.fillText(+y.toFixed(2), area.x - 5, to.y(y) + 4);
    }
    pen.save();
    pen.translate(11, area.y + area.h / 2);
    pen.rotate(-Math.PI / 2);
    pen.textAlign = "center";
    pen.fillText("height, m", 0, 0);
    pen.restore();
  }

  band(pen, area, to, band, { least, most }) {
    const away = (x) => Math.abs(x);
    const xs = least < 0 ? [least, 0, most] : [0, most];
    pen.save();
    pen.beginPath(); pen.rect(area.x, area.y, area.w, area.h); pen.clip();
    pen.beginPath();
    xs.forEach((x) => pen.lineTo(to.x(x), to.y(Math.min(band.top, band.bottom + band.rise * away(x)))));
    [...xs].reverse().forEach((x) => pen.lineTo(to.x(x), to.y(band.top)));
    pen.fillStyle = "rgb(140 16 16 / 8%)";
    pen.fill();
    pen.lineWidth = 1.4;
    pen.strokeStyle = THEME.hit;
    pen.beginPath(); xs.forEach((x) => pen.lineTo(to.x(x), to.y(band.bottom + band.rise * away(x)))); pen.stroke();
    pen.beginPath(); xs.forEach((x) => pen.lineTo(to.x(x), to.y(band.top))); pen.stroke();
    pen.lineWidth = 1;
    pen.restore();
  }

  // dots are set one by one in the picture's memory: a hundred times faster than drawing them
  dots(pen, area, to, ratio, { least, most, low, high }) {
    const { head, points, fates, above } = this.picture;
    const m = head.sensor, s = head.scale, [W, H] = [Math.round(area.w * ratio), Math.round(area.h * ratio)];
    if (W < 1 || H < 1) return;
    const image = new ImageData(W, H);
    const pixels = new Uint32Array(image.data.buffer);
    const half = head.state.profile.robot.width / 2, shift = head.body[3], aside = head.body[7];
    const kx = W / (most - least), ky = H / (high - low), size = Math.max(2, Math.round(1.6 * ratio));
    const tints = THEME.fates.map((fate) => 0xff000000 | (parseInt(fate.colour.slice(5, 7), 16) << 16) | (parseInt(fate.colour.slice(3, 5), 16) << 8) | parseInt(fate.colour.slice(1, 3), 16));
    for (const fate of ORDER) {
      if (this.hidden.has(fate)) continue;
      for (let i = 0, j = 0; i < fates.length; i++, j += 3) {
        if (fates[i] !== fate) continue;
        const [a, b, c] = [points[j] * s, points[j + 1] * s, points[j + 2] * s];
        const x = m[0] * a + m[1] * b + m[2] * c + m[3], y = m[4] * a + m[5] * b + m[6] * c + m[7];
        if (!this.round && Math.abs(y - aside) > half) continue;
        const z = above ? above[i] : m[8] * a + m[9] * b + m[10] * c + m[11];
        const px = Math.floor(((this.round ? Math.hypot(x, y) : x) - least) * kx), py = Math.floor((high - z) * ky);
        if (px < 0 || py < 0 || px > W - size || py > H - size) continue;
        for (let v = 0; v < size; v++) for (let u = 0; u < size; u++) pixels[(py + v) * W + px + u] = tints[fate];
      }
    }
    Object.assign(this.sheet, { width: W, height: H });
    this.sheet.getContext("2d").putImageData(image, 0, 0);
    pen.drawImage(this.sheet, area.x, area.y, area.w, area.h);
  }

  robot(pen, to) {
    const { head } = this.picture, { profile } = head.state;
    const [l, top] = [profile.robot.length / 2, profile.robot.height];
    const corners = [[-l, 0, 0], [l, 0, 0], [l, 0, top], [-l, 0, top], [-l, 0, 0]].map((point) => moved(head.body, point));
    pen.strokeStyle = THEME.ink;
    pen.beginPath(); corners.forEach(([x, , z]) => pen.lineTo(to.x(x), to.y(z))); pen.stroke();
    const [x, , z] = [head.sensor[3], 0, head.sensor[11]];
    pen.fillStyle = THEME.ink;
    pen.beginPath(); pen.arc(to.x(x), to.y(z), 3, 0, 7); pen.fill();
  }
}

function line(pen, colour, a, b) {
  pen.strokeStyle = colour;
  pen.beginPath(); pen.moveTo(...a); pen.lineTo(...b); pen.stroke();
}
