// How this screen shows things: chosen once, remembered by the browser, the same for every page.

import { field, make, memory } from "./elements.mjs";

const KEY = "quietward-screen";
const CHOICES = {
  order: ["Beds", [["need", "who needs somebody first"], ["place", "each in its own place"]]],
  minute: ["Paper speed", [["1", "1 cm/min"], ["2", "2 cm/min"], ["3", "3 cm/min"]]],
  bpm: ["Height", [["fit", "fits the screen"], ["20", "20 bpm/cm"], ["30", "30 bpm/cm"]]],
  light: ["Light", [["auto", "as the device says"], ["day", "day"], ["night", "night"]]],
};
const night = matchMedia("(prefers-color-scheme: dark)");
const listeners = new Set();

export const options = { order: "need", minute: "1", bpm: "fit", light: "auto", ...remembered() };

function remembered() {
  try {
    const kept = JSON.parse(memory.get(KEY) ?? "{}");
    return Object.fromEntries(Object.entries(kept).filter(([name, value]) => CHOICES[name]?.[1].some(([known]) => known === value)));
  } catch {
    return {}; // somebody else has written there
  }
}

// Calls `listener` at every change; returns what ends that.
export function onOptions(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

function choose(name, value) {
  options[name] = value;
  memory.set(KEY, JSON.stringify(options));
  light();
  for (const listener of listeners) listener();
}

function light() {
  document.documentElement.dataset.light = options.light === "auto" ? (night.matches ? "night" : "day") : options.light;
}

// Full screen, to be read from across a room. Some browsers refuse; the page changes all the same.
async function wall() {
  document.body.classList.add("wall");
  document.querySelector(".options").open = false;
  try {
    await document.documentElement.requestFullscreen();
  } catch {
    // it stays in its window; the Escape key ends it, too
  }
}

function leaveWall() {
  document.body.classList.remove("wall");
  for (const listener of listeners) listener();
}

export function mountOptions() {
  const place = document.getElementById("options");
  if (!place || place.firstChild) return;
  const root = make("details", "options");
  const panel = make("div", "panel");
  for (const [name, [title, choices]] of Object.entries(CHOICES)) {
    const group = make("fieldset");
    group.append(make("legend", "", title));
    for (const [value, words] of choices) {
      const { label, input } = field(words, "input", { type: "radio", name, value, checked: options[name] === value });
      input.addEventListener("change", () => choose(name, value));
      group.append(label);
    }
    panel.append(group);
  }
  const hint = make("p", "hint", "Centimetres are those of the browser: hold a ruler to this line of 5 cm.");
  const wide = make("button", "plain", "Wall: full screen, large");
  wide.type = "button";
  wide.addEventListener("click", wall);
  panel.append(wide, hint, make("div", "ruler"));
  root.append(make("summary", "", "Screen"), panel);
  root.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    root.open = false;
    root.firstChild.focus();
  });
  document.addEventListener("pointerdown", (event) => {
    if (!root.contains(event.target)) root.open = false;
  });
  place.append(root);
}

document.addEventListener("fullscreenchange", () => {
  if (!document.fullscreenElement) leaveWall();
});
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape" && !document.fullscreenElement) leaveWall();
});
night.addEventListener("change", light);
light();
