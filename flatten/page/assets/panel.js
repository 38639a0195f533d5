// Sliders: a range and a number each. The server says which there are; values come back from it.

import { el } from "./told.js";

const DEG = "deg";

export class Panel {
  // does: {set(key, value, end), off(zone, out), view(values, end)}
  constructor(groups, slices, does) {
    this.groups = groups;
    this.slices = slices;
    this.does = does;
    this.rows = new Map();
    this.shape = "";
    this.opened = new Set(["slice", "body", "Mount"]);
    this.held = ""; // the slider under somebody's finger
  }

  take(state) {
    const shape = JSON.stringify([state.slice, state.slices, state.groups.map((group) => [group.title, group.on, group.note, group.sliders.map((slider) => [slider.key, slider.low, slider.high])])]);
    if (shape !== this.shape && !this.held) { this.build(state); this.shape = shape; }
    for (const group of state.groups) for (const slider of group.sliders) this.put(slider.key, slider.value);
    for (const key of ["roll", "pitch", "shake"]) this.put(`view.${key}`, state[key]);
    this.attitude.textContent = { "by hand": "attitude set by hand", recorded: "attitude as recorded", level: "taken as level" }[state.attitude];
    this.recorded.hidden = state.attitude !== "by hand";
    for (const note of this.notes) note();
    this.warnings.replaceChildren(...state.warnings.map((words) => el("li", {}, words)));
  }

  put(key, value) {
    const row = this.rows.get(key);
    if (!row || this.held === key) return;
    row.range.value = value;
    if (document.activeElement !== row.number) row.number.value = +value.toFixed(4);
  }

  build(state) {
    this.rows.clear();
    this.notes = [];
    this.slices.replaceChildren(
      ...state.slices.map((name) => el("button", { type: "button", role: "tab", ariaSelected: String(name === state.slice), title: `show slice ${name}`, onclick: () => this.does.view({ slice: name }, true) }, name)),
    );
    const shown = state.groups.find((group) => group.slice === state.slice);
    const zones = state.groups.filter((group) => group.zone), rest = state.groups.filter((group) => !group.slice && !group.zone);
    this.warnings = el("ul", { className: "warnings" });
    this.groups.replaceChildren(
      this.group("slice", `Slice ${shown.title}`, shown.sliders, shown.note),
      this.body(),
      ...rest.map((group) => this.group(group.title, group.title, group.sliders, null)),
      ...(zones.length ? [el("div", { className: "title" }, "Blind zones")] : []),
      ...zones.map((group) => this.zone(group)),
      this.warnings,
    );
  }

  group(id, title, sliders, note, ...more) {
    const told = el("span", { className: "note" }, note ?? "");
    const box = el("details", { open: this.opened.has(id), ontoggle: () => this.opened[box.open ? "add" : "delete"](id) },
      el("summary", {}, title, ...more, told), ...sliders.map((slider) => this.row(slider)));
    if (note === null) this.notes.push(() => { told.textContent = sliders.slice(0, 3).map((slider) => `${slider.label} ${this.rows.get(slider.key).range.value}`).join("  "); });
    return box;
  }

  zone(group) {
    const tick = el("input", { type: "checkbox", checked: group.on, onchange: () => this.does.off(group.zone, !tick.checked) });
    const box = this.group(`zone ${group.zone}`, group.title, group.sliders, group.note, el("label", { title: "whether this zone counts", onclick: (event) => event.stopPropagation() }, tick, "on"));
    if (!group.on) box.querySelectorAll(".row").forEach((row) => row.classList.add("is-off"));
    return box;
  }

  body() {
    const sliders = [
      { key: "view.pitch", label: "pitch", unit: DEG, low: -20, high: 20, step: 0.1, value: 0, says: "of the body; nose down is positive" },
      { key: "view.roll", label: "roll", unit: DEG, low: -20, high: 20, step: 0.1, value: 0, says: "of the body; left side up is positive" },
      { key: "view.shake", label: "shaking", unit: DEG, low: 0, high: 5, step: 0.05, value: 1, says: "pitch and roll at random, one standard deviation" },
    ];
    this.attitude = el("span", {});
    this.recorded = el("button", { type: "button", hidden: true, onclick: () => this.does.view({ recorded: true }, true) }, "reset attitude");
    const box = this.group("body", "Body", sliders, "not saved");
    box.append(el("div", { className: "aside" }, this.attitude, this.recorded));
    return box;
  }

  row({ key, label, unit, low, high, step, value, says }) {
    const range = el("input", { type: "range", min: low, max: high, step, ariaLabel: `${label}, ${unit}` });
    const number = el("input", { type: "number", step: "any", ariaLabel: `${label}, ${unit}, number` });
    range.dataset.key = number.dataset.key = key;
    range.value = value;
    number.value = value;
    const send = (end) => {
      const now = Number(end === "number" ? number.value : range.value);
      if (key.startsWith("view.")) this.does.view({ [key.slice(5)]: now }, end !== false);
      else this.does.set(key, now, end !== false);
    };
    range.oninput = () => { this.held = key; number.value = range.value; send(false); };
    range.onchange = () => { this.held = ""; send(true); };
    number.onchange = () => { if (number.value !== "" && Number.isFinite(Number(number.value))) send("number"); };
    this.rows.set(key, { range, number });
    return el("div", { className: "row", title: says ? `${label}: ${says}` : label }, el("label", {}, label), range, number, el("span", {}, unit));
  }
}
