// Small pieces the views are made of.

import { _, ngettext } from "./language.mjs";

const SVG = "http://www.w3.org/2000/svg";
/** @type {Record<string, string>} */
const OUTLINES = {
  ring: "M10 2a8 8 0 1 0 .01 0zm0 3a5 5 0 1 1-.01 0z",
  square: "M3 3h14v14H3zm3 3v8h8V6z",
  diamond: "M10 1l9 9-9 9-9-9z",
  triangle: "M10 2l9 16H1z",
  hexagon: "M5.5 2h9l5 8-5 8h-9l-5-8z",
  gap: "M1 9h5v3H1zm13 0h5v3h-5z",
  cross: "M3 5l2-2 5 5 5-5 2 2-5 5 5 5-2 2-5-5-5 5-2-2 5-5z",
  bars: "M4 3h4v14H4zm8 0h4v14h-4z",
  frame: "M2 2h6v2H4v4H2zm10 0h6v6h-2V4h-4zM2 12h2v4h4v2H2zm14 0h2v6h-6v-2h4z",
  shelf: "M1 15h18v3H1zM3 4h4v10H3zm5 3h3v7H8zm4-5h4v12h-4z",
};

/**
 * An element that the shell always has.
 * @param {string} id
 */
export function byId(id) {
  const found = document.getElementById(id);
  if (!found) throw new Error(`the page has no #${id}`);
  return found;
}

/**
 * @template {keyof HTMLElementTagNameMap} Tag
 * @param {Tag} tag
 * @param {string} className
 * @param {string} text
 */
export function make(tag, className = "", text = "") {
  const element = document.createElement(tag);
  if (className) element.className = className;
  if (text) element.textContent = text;
  return element;
}

/**
 * @param {string} text
 * @param {string} className
 * @param {(event: MouseEvent) => void} onPress
 */
export function button(text, className, onPress) {
  const element = make("button", className, text);
  element.type = "button";
  element.addEventListener("click", onPress);
  return element;
}

/**
 * Anything with its name before it.
 * @param {string} name
 * @param {HTMLElement} input
 */
export function labelled(name, input) {
  const label = make("label", "field");
  label.append(make("span", "", name), input);
  return label;
}

/**
 * An input with its name before it; `attributes` are properties of the input.
 * @template {"input" | "select" | "textarea"} Tag
 * @param {string} name
 * @param {Tag} tag
 * @param {Partial<HTMLElementTagNameMap[Tag]>} attributes
 */
export function field(name, tag, attributes = {}) {
  const input = make(tag);
  Object.assign(input, attributes);
  return { label: labelled(name, input), input };
}

/**
 * A time from now on, in minutes.
 * @param {number} first
 */
export function minutesField(first) {
  return field(_("for minutes"), "input", { type: "number", min: "1", step: "1", required: true, value: String(first) });
}

/**
 * A choice of how many hours back from now.
 * @param {readonly number[]} hours
 * @param {number} usual
 */
export function hoursChoice(hours, usual) {
  const select = make("select");
  for (const one of hours) select.append(new Option(ngettext("the last hour", "the last {n} hours", one), String(one)));
  select.value = String(usual);
  return select;
}

/**
 * A form that is folded away under its title until somebody wants it.
 * @param {string} title
 * @param {() => void} onSubmit
 */
export function disclosure(title, onSubmit) {
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

/** A line that screen readers speak when it changes.
 * @param {"p" | "span"} tag
 * @param {string} className
 * @param {string} text
 */
export function statusLine(tag, className, text = "") {
  const element = make(tag, className, text);
  element.setAttribute("role", "status");
  return element;
}

/**
 * Changes the text only when it differs, so that nothing is spoken or laid out again for nothing; one text in place of
 * another leaves all styles that ask whether there is any as they are.
 * @param {Element} element
 * @param {string} text
 */
export function setText(element, text) {
  const only = element.firstChild;
  if (text && only instanceof Text && !only.nextSibling) {
    if (only.data !== text) only.data = text;
  } else if (element.textContent !== text) element.textContent = text;
}

/**
 * Changes the text and whether there is one, as a class, for styles of what stands around it: were they to ask for
 * empty elements, each new text would have the styles of its whole row worked out anew.
 * @param {Element} element
 * @param {string} text
 */
export function say(element, text) {
  setText(element, text);
  element.classList.toggle("said", text !== "");
}

/**
 * @param {HTMLElement} element
 * @param {boolean} isHidden
 */
export function setHidden(element, isHidden) {
  if (element.hidden !== isHidden) element.hidden = isHidden;
}

/**
 * Sets a property of the style sheet only when it differs: set again, all styles below are worked out anew.
 * @param {HTMLElement} element
 * @param {string} name
 * @param {string | number} value
 */
export function setProperty({ style }, name, value) {
  if (style.getPropertyValue(name) !== String(value)) style.setProperty(name, String(value));
}

/**
 * Tells the style sheet how far down the page an element begins.
 * @param {HTMLElement} element
 */
export function setFromTop(element) {
  setProperty(element, "--from-top", `${element.getBoundingClientRect().top + window.scrollY}px`);
}

/**
 * @param {Element} element
 * @param {string} className
 */
export function setClass(element, className) {
  if (element.className !== className) element.className = className;
}

/**
 * Does `draw` only when what it would draw has changed.
 * @param {HTMLElement} element
 * @param {unknown} value
 * @param {() => void} draw
 */
export function ifChanged(element, value, draw) {
  const key = JSON.stringify(value ?? null);
  if (element.dataset.drawn === key) return;
  element.dataset.drawn = key;
  draw();
}

/**
 * @template {keyof SVGElementTagNameMap} Tag
 * @param {Tag} tag
 * @param {Record<string, string | number>} attributes
 * @param {string} text
 */
export function makeSvg(tag, attributes, text = "") {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, String(value));
  if (text) element.textContent = text;
  return /** @type {SVGElementTagNameMap[Tag]} */ (element);
}

/**
 * A pattern of slanting lines, to be used as url(#id).
 * @param {string} id
 */
export function hatchPattern(id) {
  const pattern = makeSvg("pattern", { id, width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
  pattern.append(makeSvg("rect", { class: "hatch", width: 3, height: 6 }));
  return pattern;
}

export function shape() {
  const svg = makeSvg("svg", { viewBox: "0 0 20 20", class: "shape", "aria-hidden": "true" });
  svg.append(makeSvg("path", {}));
  return svg;
}

const BARS = 4;
/** @type {Record<string, number>} */
const FULL_BARS = { good: BARS, poor: 2 }; // of a signal that is lost, or that nobody looks at, none

/** The mark of a signal's quality: rising bars, some or all of them full. */
export function signalMark() {
  const svg = makeSvg("svg", { viewBox: "0 0 20 16", class: "signal-mark", role: "img" });
  for (let i = 0; i < BARS; i++) svg.append(makeSvg("rect", { x: 1 + 5 * i, y: 12 - 3.5 * i, width: 3, height: 3.5 * (i + 1) }));
  svg.append(makeSvg("path", { d: "M2 2l16 12" }));
  return svg;
}

/**
 * @param {SVGSVGElement} svg
 * @param {string} state of the signal
 * @param {string} words
 */
export function setSignalMark(svg, state, words) {
  if (svg.getAttribute("aria-label") === words && svg.dataset.state === state) return;
  svg.dataset.state = state;
  svg.setAttribute("aria-label", words);
  svg.setAttribute("aria-hidden", String(!words)); // of an empty bed nothing is said
  const full = FULL_BARS[state] ?? 0;
  svg.querySelectorAll("rect").forEach((bar, i) => bar.classList.toggle("full", i < full));
}

/**
 * @param {SVGSVGElement} svg
 * @param {string} name
 */
export function setShape(svg, name) {
  const path = svg.querySelector("path");
  const outline = OUTLINES[name] ?? "";
  if (path?.getAttribute("d") !== outline) path?.setAttribute("d", outline);
}
