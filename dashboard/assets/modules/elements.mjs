// Small pieces the views are made of.

const SVG = "http://www.w3.org/2000/svg";
const OUTLINES = {
  ring: "M10 2a8 8 0 1 0 .01 0zm0 3a5 5 0 1 1-.01 0z",
  diamond: "M10 1l9 9-9 9-9-9z",
  triangle: "M10 2l9 16H1z",
  hexagon: "M5.5 2h9l5 8-5 8h-9l-5-8z",
  gap: "M1 9h5v3H1zm13 0h5v3h-5z",
  cross: "M3 5l2-2 5 5 5-5 2 2-5 5 5 5-2 2-5-5-5 5-2-2 5-5z",
  bars: "M4 3h4v14H4zm8 0h4v14h-4z",
  shelf: "M1 15h18v3H1zM3 4h4v10H3zm5 3h3v7H8zm4-5h4v12h-4z",
};
const CLOCK = { hour: "2-digit", minute: "2-digit", hourCycle: "h23" };

// What this browser remembers; some refuse to, and then it holds while the page is open.
const held = new Map();
export const memory = {
  get(key) {
    try {
      return localStorage.getItem(key);
    } catch {
      return held.get(key) ?? null;
    }
  },
  set(key, value) {
    held.set(key, value);
    try {
      localStorage.setItem(key, value);
    } catch {
      // it refuses
    }
  },
};

export function make(tag, className = "", text = "") {
  const element = document.createElement(tag);
  if (className) element.className = className;
  if (text) element.textContent = text;
  return element;
}

export function button(text, className, onPress) {
  const element = make("button", className, text);
  element.type = "button";
  element.addEventListener("click", onPress);
  return element;
}

// An input with its name before it; `attributes` are properties of the input.
export function field(name, tag, attributes) {
  const label = make("label", "field");
  const input = Object.assign(make(tag), attributes);
  label.append(make("span", "", name), input);
  return { label, input };
}

// A time from now on, in minutes.
export function minutesField(first) {
  return field("for minutes", "input", { type: "number", min: 1, step: 1, required: true, value: first });
}

export const NO_POLICY = "Not possible yet: no detector has said what its policy allows.";

// A form that is folded away under its title until somebody wants it.
export function fold(title, onSubmit) {
  const root = make("details", "fold");
  const form = make("form");
  const inside = make("fieldset");
  const hint = make("p", "hint");
  const note = make("div");
  root.append(make("summary", "", title), note, form);
  form.append(hint, inside);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    onSubmit();
  });
  return { root, inside, hint, note };
}

// Changes the text only when it differs, so that nothing is spoken or laid out again for nothing.
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

// Does `draw` only when what it would draw has changed.
export function ifChanged(element, value, draw) {
  const key = JSON.stringify(value ?? null);
  if (element.dataset.drawn === key) return;
  element.dataset.drawn = key;
  draw();
}

export function drawn(tag, attributes, text = "") {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  if (text) element.textContent = text;
  return element;
}

// A pattern of slanting lines, to be used as url(#id).
export function hatched(id) {
  const pattern = drawn("pattern", { id, width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
  pattern.append(drawn("rect", { class: "hatch", width: 3, height: 6 }));
  return pattern;
}

export function shape() {
  const svg = drawn("svg", { viewBox: "0 0 20 20", class: "shape", "aria-hidden": "true" });
  svg.append(drawn("path", {}));
  return svg;
}

export function setShape(svg, name) {
  const path = svg.firstChild;
  if (path.getAttribute("d") !== OUTLINES[name]) path.setAttribute("d", OUTLINES[name]);
}

// Time of day of ms since the epoch; those of the summary are the bed's own.
export function timeOf(ms) {
  return new Date(ms).toLocaleTimeString([], CLOCK);
}

export function duration(seconds) {
  if (seconds < 90) return `${Math.round(seconds)} s`;
  return `${Math.round(seconds / 60)} min`;
}

// "low-baseline" and "baseline_bpm" as words.
export function plain(name) {
  return name.replace(/[-_]/g, " ");
}

export function headline(card) {
  return card.until === null ? card.headline : `${card.headline} ${timeOf(card.until)}`;
}

export function waiting(card) {
  const off = card.paused && card.state !== "paused" ? `noted as off until ${timeOf(card.paused.until)}` : "";
  if (card.acknowledged_by) return [`answered by ${card.acknowledged_by}`, off].filter(Boolean).join(" · ");
  const alone = card.waiting_s !== null && card.flag ? `unanswered for ${duration(card.waiting_s)}` : "";
  return [alone, off].filter(Boolean).join(" · ");
}

// What may be cut off where there is little room stands last.
export function signalWords(card, clock = card.far_clock) {
  const age = card.age_s === null ? "" : `data ${card.age_s < 10 ? card.age_s.toFixed(1) : Math.round(card.age_s)} s old`;
  return [`signal ${card.signal}`, age, clock, card.signal_reason].filter(Boolean).join(" · ");
}
