// The scan from above: ahead is up, left is left. What is witnessed free, what is blocked, HITs, robot, zones.

import { THEME } from "./theme.js";
import { metres, moved, nice, robotLines, zoneLines } from "./geometry.js";

const HALVES = [1.5, 2, 3, 4, 6, 8, 10, 13, 17, 22, 28, 40, 60, 100];

export function fitted(canvas) {
  const ratio = window.devicePixelRatio || 1;
  const [w, h] = [canvas.clientWidth, canvas.clientHeight];
  if (canvas.width !== Math.round(w * ratio) || canvas.height !== Math.round(h * ratio)) {
    canvas.width = Math.round(w * ratio);
    canvas.height = Math.round(h * ratio);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, w, h);
  pen.font = '11px system-ui, "Segoe UI", "DejaVu Sans", sans-serif';
  pen.lineWidth = 1;
  return { pen, w, h, ratio };
}

export class Plan {
  constructor(canvas) {
    this.canvas = canvas;
    this.half = 5; // which of HALVES
    canvas.addEventListener("wheel", (event) => { event.preventDefault(); this.zoom(event.deltaY > 0 ? 1 : -1); }, { passive: false });
  }

  zoom(by) { this.half = Math.min(HALVES.length - 1, Math.max(0, this.half + by)); this.later(); }

  take(picture) { this.picture = picture; this.later(); }

  later() {
    if (this.awaited) return;
    this.awaited = true;
    requestAnimationFrame(() => { this.awaited = false; this.draw(); });
  }

  draw() {
    if (!this.picture) return;
    const { pen, w, h } = fitted(this.canvas);
    const half = HALVES[this.half], scale = Math.min(w, h - 26) / (2 * half), middle = [w / 2, (h - 22) / 2];
    this.at = (x, y) => [middle[0] - y * scale, middle[1] - x * scale];
    this.scale = scale;
    this.drawBins(pen);
    this.drawRings(pen, Math.hypot(w, h) / scale / 2, half);
    this.drawRobot(pen);
    this.drawHits(pen);
  }

  // runs of bins of one kind as one area each
  drawBins(pen) {
    const { head, states, ranges, from, to } = this.picture, { first, step } = head.fan, S = THEME.states;
    const far = head.state.profile.reach.far, n = states.length;
    const kind = (k) => {
      if (to[k] > from[k]) return states[k] === S.CLEAR ? "clear" : "partly";
      return states[k] === S.BLOCKED ? "blocked" : states[k] === S.TOO_NEAR ? "near" : "";
    };
    const ends = { clear: (k) => [from[k], to[k]], partly: (k) => [from[k], to[k]], blocked: () => [0, far], near: () => [0, head.state.profile.reach.near] };
    for (let begin = 0; begin < n; ) {
      const what = kind(begin);
      let end = begin + 1;
      while (end < n && kind(end) === what) end++;
      if (what) {
        pen.beginPath();
        for (let k = begin; k < end; k++) for (const turn of [k, k + 1]) pen.lineTo(...this.ray(first + turn * step, ends[what](k)[1]));
        for (let k = end - 1; k >= begin; k--) for (const turn of [k + 1, k]) pen.lineTo(...this.ray(first + turn * step, ends[what](k)[0]));
        pen.fillStyle = THEME[what];
        pen.fill();
      }
      begin = end;
    }
  }

  ray(turn, range) { return this.at(range * Math.cos(turn), range * Math.sin(turn)); }

  drawRings(pen, farthest, half) {
    const apart = nice(half / 2), [x, y] = this.at(0, 0);
    pen.strokeStyle = "#b9b5ac";
    pen.setLineDash([2, 3]);
    for (let r = apart; r < farthest; r += apart) { pen.beginPath(); pen.arc(x, y, r * this.scale, 0, 7); pen.stroke(); }
    pen.setLineDash([]);
    pen.textAlign = "left";
    for (let r = apart; r < farthest; r += apart) {
      const words = metres(r), [a, b] = this.ray(-0.6, r);
      if (b < 10) break;
      pen.fillStyle = "rgb(255 255 255 / 80%)";
      pen.fillRect(a - 2, b - 7, pen.measureText(words).width + 4, 13);
      pen.fillStyle = THEME.soft;
      pen.fillText(words, a, b + 4);
    }
  }

  drawRobot(pen) {
    const { head } = this.picture, { profile } = head.state;
    const path = (line) => { pen.beginPath(); line.forEach((point) => pen.lineTo(...this.at(...moved(head.body, point)))); pen.stroke(); };
    pen.strokeStyle = THEME.ink;
    const [foot, , , , , , nose] = robotLines(profile.robot);
    path(foot);
    path(nose || foot);
    pen.strokeStyle = THEME.zone;
    const off = new Set(head.state.groups.filter((group) => group.zone && !group.on).map((group) => group.zone));
    for (const zone of profile.blind_zones || []) if (!off.has(zone.name)) path(zoneLines(zone, profile.mount)[0]);
    const [x, y] = this.at(0, 0);
    pen.fillStyle = THEME.ink;
    pen.beginPath(); pen.arc(x, y, 2.5, 0, 7); pen.fill();
  }

  drawHits(pen) {
    const { head, states, ranges, leaking } = this.picture, { first, step } = head.fan;
    pen.fillStyle = THEME.hit;
    const leaks = [];
    for (let k = 0; k < states.length; k++) {
      if (states[k] !== THEME.states.HIT) continue;
      const [x, y] = this.ray(first + (k + 0.5) * step, ranges[k]);
      if (leaking[k]) leaks.push([x, y]);
      else pen.fillRect(x - 1.3, y - 1.3, 2.6, 2.6);
    }
    pen.strokeStyle = THEME.leak;
    pen.lineWidth = 1.3;
    for (const [x, y] of leaks) { pen.beginPath(); pen.moveTo(x - 2.4, y - 2.4); pen.lineTo(x + 2.4, y + 2.4); pen.moveTo(x - 2.4, y + 2.4); pen.lineTo(x + 2.4, y - 2.4); pen.stroke(); }
    pen.lineWidth = 1;
  }
}
