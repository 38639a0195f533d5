// The page: what comes goes to the views, what is moved goes to the server.

import { THEME } from "./theme.js";
import { Link } from "./link.js";
import { Panel } from "./panel.js";
import { Plan } from "./plan.js";
import { Side } from "./side.js";
import { Space } from "./space.js";
import { Told, el, whole } from "./told.js";

const $ = (id) => document.getElementById(id);
const space = new Space($("space")), plan = new Plan($("plan")), side = new Side($("side")), told = new Told($("told"));
let latest = {}, picture = null, state = null, held = false;

const link = new Link({ picture: takePicture, words: takeWords, state: takeLink });
const panel = new Panel($("groups"), $("slices"), {
  set: (key, value, end) => (end ? link.end : link.move).call(link, { set: { [key]: value }, end }),
  off: (zone, out) => link.end({ off: { [zone]: out } }),
  view: (values, end) => (end ? link.end : link.move).call(link, { view: values, end }),
});

function takePicture(head, arrays) {
  latest = { ...latest, ...arrays }; // what did not change is not sent again
  if (!latest.leaking || latest.leaking.length !== latest.states.length) latest.leaking = new Uint8Array(latest.states.length);
  picture = { head, ...latest, number: head.picture, above: head.state.level === "floor" ? latest.above : null };
  state = head.state;
  draw();
  panel.take(state);
  told.take(head.figures, state, head.studied);
  takeHead();
  if (state.problem) problem(state.problem); else if (!$("problem").classList.contains("is-news")) $("problem").hidden = true;
  if (link.took) $("link").textContent = `connected · last change shown after ${link.took.toFixed(0)} ms`;
  document.body.dataset.answers = head.answers; // for tests
  document.body.dataset.studied = head.studied;
}

function draw() {
  space.take(picture);
  plan.take(picture);
  side.take(picture, space.hidden);
}

function takeHead() {
  $("file").textContent = state.file;
  $("file").title = `${state.folder}/${state.file}`;
  $("changed").textContent = state.changed ? "● changed" : "as saved";
  $("changed").classList.toggle("is-changed", state.changed);
  $("undo").disabled = !state.undo;
  $("redo").disabled = !state.redo;
  $("reset").disabled = !state.changed && !state.undo;
  $("frame").max = state.frames - 1;
  $("frame").disabled = state.frames < 2;
  if (!held) $("frame").value = state.frame;
  $("before").disabled = state.frame === 0;
  $("after").disabled = state.frame === state.frames - 1;
  const note = state.note ? `, ${state.note}` : "";
  $("frame-name").textContent = `${state.frame + 1} of ${state.frames}: ${state.name}${note}`;
  $("frame-name").title = `${state.source}: ${state.name}${note}`;
  const { figures, drawn } = picture.head, thinned = figures.fates.reduce((a, b) => a + b, 0) > drawn;
  $("space-says").textContent = `${whole(figures.returns)}${thinned ? `, ${whole(drawn)} drawn` : ""}; rings 2, 5, 10, 20 m`;
  const band = state.profile.slices[state.slice];
  $("plan-says").textContent = `${state.slice}, ${band.pick}`;
  $("side-says").textContent = side.round ? "distance from the fan's origin" : `${state.profile.robot.width} m wide`;
  takeLegend(figures);
}

function takeLegend(figures) {
  const rows = THEME.fates.map((fate, k) => {
    const dot = el("span", { className: "dot" });
    dot.style.background = fate.colour;
    const hide = () => { space.hidden[space.hidden.has(k) ? "delete" : "add"](k); draw(); takeLegend(figures); };
    return el("li", {}, el("button", { type: "button", ariaPressed: String(!space.hidden.has(k)), onclick: hide }, dot, fate.says, el("b", {}, whole(figures.fates[k]))));
  });
  $("legend").replaceChildren(...rows.reverse());
}

function takeWords(words) {
  if (words.problem) problem(words.problem);
  if (words.ask) ask(words.ask);
  if (words.told) { $("saving").close(); problem(words.told, true); }
}

function takeLink(words, isUp) {
  $("link").textContent = words;
  $("link").classList.toggle("is-down", !isUp);
}

let fading = 0;
function problem(words, isNews = false) {
  if ($("saving").open && !isNews) { $("save-says").textContent = words; return; }
  $("problem").textContent = words;
  $("problem").hidden = false;
  $("problem").classList.toggle("is-news", isNews);
  clearTimeout(fading);
  fading = setTimeout(() => { $("problem").hidden = true; $("problem").classList.remove("is-news"); }, isNews ? 5000 : 9000);
}

// frames

const go = (frame, end) => (end ? link.end : link.move).call(link, { view: { frame }, end });
$("frame").oninput = () => { held = true; go(Number($("frame").value), false); };
$("frame").onchange = () => { held = false; go(Number($("frame").value), true); };
$("before").onclick = () => go(state.frame - 1, true);
$("after").onclick = () => go(state.frame + 1, true);

// deeds

for (const deed of ["undo", "redo", "reset"]) $(deed).onclick = () => link.end({ do: deed });
document.addEventListener("keydown", (event) => {
  const typing = ["text", "number"].includes(event.target.type) || $("saving").open;
  if (event.ctrlKey && event.key.toLowerCase() === "z" && !typing) { event.preventDefault(); link.end({ do: event.shiftKey ? "redo" : "undo" }); }
  if (event.target === document.body && event.key === "ArrowLeft" && state.frame > 0) go(state.frame - 1, true);
  if (event.target === document.body && event.key === "ArrowRight" && state.frame < state.frames - 1) go(state.frame + 1, true);
});

let overwrite = false;
$("save").onclick = () => {
  overwrite = false;
  $("save-name").value = state.file;
  $("save-folder").textContent = state.folder;
  $("save-says").textContent = "";
  $("save-do").textContent = "Save";
  $("saving").showModal();
};
$("save-name").oninput = () => { overwrite = false; $("save-do").textContent = "Save"; $("save-says").textContent = ""; };
$("save-cancel").onclick = () => $("saving").close();
$("saving").querySelector("form").onsubmit = (event) => { event.preventDefault(); link.end({ save: { name: $("save-name").value, overwrite } }); };
function ask(question) {
  overwrite = true;
  $("save-says").textContent = question;
  $("save-do").textContent = "Write over it";
}

// views

const press = (ids, pressed) => ids.forEach((id) => $(id).setAttribute("aria-pressed", String(id === pressed)));
for (const name of ["free", "top", "side"]) $(`view-${name}`).onclick = () => { space.show(name); };
$("plan-in").onclick = () => plan.zoom(-1);
$("plan-out").onclick = () => plan.zoom(1);
for (const name of ["swath", "round"]) {
  $(`side-${name}`).onclick = () => { side.round = name === "round"; press(["side-swath", "side-round"], `side-${name}`); side.later(); if (state) takeHead(); };
}
press(["side-swath", "side-round"], "side-round");
new ResizeObserver(() => { space.later(); plan.later(); side.later(); }).observe(document.querySelector(".views"));

$("caution").textContent = THEME.caution;
for (const [name, colour, area] of [["HIT", THEME.hit], ["HIT on floor (leak)", THEME.leak], ["CLEAR", THEME.clear, 1], ["free in part", THEME.partly, 1], ["BLOCKED", THEME.blocked, 1], ["nothing known", "#ffffff", 1]]) {
  const dot = el("span", { className: area ? "dot is-area" : "dot" });
  dot.style.background = colour;
  $("plan-legend").append(el("li", {}, dot, name));
}
if (!space.gl) $("space-says").textContent = "this browser draws nothing in space (no WebGL)";
