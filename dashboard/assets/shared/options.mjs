// How this screen shows things: chosen once, remembered by the browser, the same for every page.

import { CHOICES, readOptions, take } from "./choices.mjs";
import { button, field, make } from "./elements.mjs";
import { _ } from "./language.mjs";
import { memory } from "./memory.mjs";

const KEY = "quietward-screen";
const night = matchMedia("(prefers-color-scheme: dark)");
/** @type {Set<() => void>} */
const listeners = new Set();

export const options = readOptions(memory.get(KEY));

/**
 * Calls `listener` at every change; returns what ends that.
 * @param {() => void} listener
 */
export function onOptions(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

/**
 * @param {string} name
 * @param {string} value
 */
function choose(name, value) {
  take(options, name, value);
  memory.set(KEY, JSON.stringify(options));
  light();
  for (const listener of listeners) listener();
}

function light() {
  document.documentElement.dataset.light = options.light === "auto" ? (night.matches ? "night" : "day") : options.light;
}

/**
 * Full screen, to be read from across a room. Some browsers refuse; the page changes all the same.
 * @param {HTMLDetailsElement} menu
 */
async function showWallDisplay(menu) {
  document.body.classList.add("wall");
  menu.open = false;
  for (const listener of listeners) listener();
  try {
    await document.documentElement.requestFullscreen();
  } catch {
    // it stays in its window; the Escape key ends it, too
  }
}

function leaveWallDisplay() {
  document.body.classList.remove("wall");
  for (const listener of listeners) listener();
}

export function mountOptions() {
  const place = document.getElementById("options");
  if (!place || place.firstChild) return;
  const root = make("details", "options");
  const panel = make("div", "panel");
  for (const [name, { title, values }] of Object.entries(CHOICES)) {
    const group = make("fieldset");
    group.append(make("legend", "", _(title)));
    for (const [value, words] of values) {
      const checked = Object.entries(options).some(([one, chosen]) => one === name && chosen === value);
      const { label, input } = field(_(words), "input", { type: "radio", name, value, checked });
      input.addEventListener("change", () => choose(name, value));
      group.append(label);
    }
    panel.append(group);
  }
  const hint = make("p", "hint", _("On-screen centimetres: this line should measure 5 cm."));
  const wide = button(_("Wall display"), "plain", () => void showWallDisplay(root));
  panel.append(wide, hint, make("div", "ruler"));
  const summary = make("summary", "", _("Screen"));
  root.append(summary, panel);
  root.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    root.open = false;
    summary.focus();
  });
  document.addEventListener("pointerdown", (event) => {
    if (event.target instanceof Node && !root.contains(event.target)) root.open = false;
  });
  place.append(root);
}

document.addEventListener("fullscreenchange", () => {
  if (!document.fullscreenElement) leaveWallDisplay();
});
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape" && !document.fullscreenElement) leaveWallDisplay();
});
night.addEventListener("change", light);
light();
