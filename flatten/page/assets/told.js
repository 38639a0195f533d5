// Figures as cards: bins by state, leak, leak when shaking, what is missed by distance.

import { THEME } from "./theme.js";

export function el(tag, values, ...children) {
  const made = document.createElement(tag);
  Object.assign(made, values);
  made.append(...children);
  return made;
}

export const whole = (n) => n.toLocaleString("en-US");
export const percent = (share) => {
  const value = 100 * share;
  return `${value === 0 || value >= 10 ? value.toFixed(0) : value < 0.05 ? "<0.1" : value.toFixed(1)} %`;
};

const STATES = [["HIT", "hit"], ["CLEAR", "clear"], ["TOO_NEAR", "near"], ["BLOCKED", "blocked"], ["UNSEEN", "unseen"]];

export class Told {
  constructor(place) {
    this.cards = ["bins", "leak", "shaken", "missed"].map((name) => el("div", { className: "card", id: `card-${name}` }));
    place.replaceChildren(...this.cards);
  }

  take(figures, state, isStudied) {
    const [bins, leak, shaken, missed] = this.cards;
    bins.replaceChildren(...binsCard(figures, state));
    for (const card of [leak, shaken, missed]) card.classList.toggle("is-old", !isStudied);
    if (!isStudied) return; // the figures before stay, pale, until the new ones are there
    if (figures.why) {
      leak.replaceChildren(el("h3", {}, "Leak of the floor"), el("p", {}, "not known"));
      shaken.replaceChildren(el("h3", {}, "Leak, shaking"), el("p", {}, "not known"));
      missed.replaceChildren(el("h3", {}, "Why nothing is known of the floor"), el("p", {}, figures.why));
      return;
    }
    leak.replaceChildren(...leakCard(figures));
    shaken.replaceChildren(...shakenCard(figures.shaken));
    missed.replaceChildren(...missedCard(figures));
  }
}

function binsCard(figures, state) {
  const bar = el("div", { className: "bar", title: "shares of all bins" });
  const list = el("div", { className: "states" });
  for (const [name, colour] of STATES) {
    const number = figures.states[name];
    const part = el("i", { title: `${name} ${whole(number)}` });
    part.style.width = `${(100 * number) / figures.bins}%`;
    part.style.background = THEME[colour];
    bar.append(part);
    const dot = el("span", { className: "dot is-area" });
    dot.style.background = THEME[colour];
    list.append(el("span", {}, dot, name, el("b", {}, whole(number))));
  }
  const near = figures.nearest ? `nearest ${figures.nearest.metres.toFixed(2)} m, ${figures.nearest.where}` : "no HIT";
  return [el("h3", {}, `Bins of ${state.slice}, ${whole(figures.bins)}`), bar, list, el("p", {}, near)];
}

function leakCard({ leaks, bins, under, floor }) {
  const large = el("div", { className: leaks ? "large is-wrong" : "large" }, percent(leaks / bins));
  return [
    el("h3", { title: "bins that say HIT because of the floor" }, "Leak of the floor"), large,
    el("p", {}, `${whole(leaks)} of ${whole(bins)} bins`),
    el("p", {}, `ways under: ${whole(under.blocked)} of ${whole(under.free)} blocked`),
    el("p", { title: "the floor's noise, and how it tilts up ahead and to the left" }, `floor ±${(1000 * floor.scatter).toFixed(0)} mm, ${signed(floor.ahead)}°, ${signed(floor.left)}°`),
  ];
}

const signed = (value) => (Math.abs(value) < 0.05 ? "0.0" : `${value > 0 ? "+" : "−"}${Math.abs(value).toFixed(1)}`);

function shakenCard({ at, leak, curve, enters }) {
  const far = enters === null ? "floor keeps below it" : `floor in from ${enters.toFixed(1)} m on (3σ)`;
  return [
    el("h3", { title: "expected share of bins, if pitch and roll shake by so much, one standard deviation" }, `Leak, shaking ${+at.toFixed(2)}°`),
    el("div", { className: leak > 0.01 ? "large is-wrong" : "large" }, percent(leak)),
    sketch(curve, at, leak), el("p", {}, far),
  ];
}

const SVG = "http://www.w3.org/2000/svg";

function sketch(curve, at, leak) {
  const svg = document.createElementNS(SVG, "svg");
  const [W, H] = [200, 46], last = curve[curve.length - 1][0];
  const most = Math.max(0.02, ...curve.map(([, share]) => share));
  const to = ([x, y]) => [4 + (Math.min(x, last) / last) * (W - 34), H - 13 - (Math.min(y, most) / most) * (H - 19)];
  svg.setAttribute("viewBox", `0 0 ${W} ${H}`);
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", `leak over shaking from 0 to ${last} degrees, up to ${percent(most)}`);
  svg.style.cssText = "width:100%;height:46px;display:block";
  const add = (tag, values, words = "") => {
    const made = document.createElementNS(SVG, tag);
    for (const [key, value] of Object.entries(values)) made.setAttribute(key, value);
    made.textContent = words;
    svg.append(made);
  };
  add("line", { x1: 4, x2: W - 30, y1: H - 13, y2: H - 13, stroke: "#b9b5ac" });
  add("polyline", { points: curve.map(to).join(" "), fill: "none", stroke: THEME.ink, "stroke-width": 1.5 });
  const [x, y] = to([at, leak]);
  if (at <= last) add("circle", { cx: x, cy: y, r: 3.5, fill: THEME.leak, stroke: THEME.ink });
  for (const degrees of [0, 1, 2, 3]) add("text", { x: to([degrees, 0])[0], y: H - 2, "font-size": 10, fill: THEME.soft, "text-anchor": degrees ? "middle" : "start" }, `${degrees}°`);
  add("text", { x: W - 27, y: 12, "font-size": 10, fill: THEME.soft }, percent(most));
  return svg;
}

function missedCard({ missed }) {
  const name = (row) => (row.to === null ? `${row.from} m on` : `${row.from} – ${row.to} m`);
  const rows = missed.map((row) => {
    const share = row.wanted ? percent(row.missed / row.wanted) : "–";
    return el("tr", {}, el("td", {}, name(row)), el("td", { className: row.missed ? "is-wrong" : "" }, whole(row.missed)), el("td", {}, `of ${whole(row.wanted)}`), el("td", {}, share));
  });
  return [
    el("h3", { title: "bins in which something between step and head was returned, and is not shown" }, "Missed obstacles, bins"),
    el("table", {}, ...rows),
  ];
}
