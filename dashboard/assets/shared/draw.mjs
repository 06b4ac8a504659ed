// Draws a strip: FHR above, UA below, on a grid of minutes; newest at the right.

import { layout, pxPerSecond, secondLeftOf } from "./geometry.mjs";
import { grid, TIME_FROM } from "./grid.mjs";
import { said } from "./language.mjs";
import { LabelRows, moments } from "./moments.mjs";
import { signal } from "./pen.mjs";
import { isOver } from "./strip.mjs";
import { stripStyle } from "./strip_style.mjs";
import { kindOf, secondTwin } from "./twins.mjs";
import { timeOf } from "./words.mjs";

/** @import { Layout } from "./geometry.mjs" */
/** @import { Strip } from "./strip.mjs" */
/** @import { BpmPerCm, StripMark, TrendPoint } from "./types" */

/**
 * @typedef {object} Drawing
 * @property {number} minuteCm paper speed
 * @property {BpmPerCm} bpmPerCm
 * @property {boolean} [text] write what was found beside its mark
 * @property {number | null} [runningFrom] second at which a deceleration began that is not over
 * @property {number | null} [runningFrom2] the same of a second twin
 * @property {number | null} [handFrom] second at which a contraction began that is timed by hand and not over
 * @property {(second: number) => string} [time] a second in words
 * @property {number} [letters] size of what is written on it, in pixels; the larger, the less is written
 */
/** @typedef {(name: string) => string} Colour */

const BY_HAND = "hand-contraction";
const LETTERS_PX = 11;

/**
 * The second of the strip that lies under a place on its canvas.
 * @param {HTMLCanvasElement} canvas
 * @param {Strip} strip
 * @param {number} clientX
 * @param {number} minuteCm
 */
export function secondAt(canvas, strip, clientX, minuteCm) {
  return secondLeftOf(strip.last, canvas.getBoundingClientRect().right - clientX, minuteCm);
}

/** @type {WeakMap<HTMLCanvasElement, { last: number, looks: unknown[] }>} */
const drawn = new WeakMap();

/**
 * Draws a strip on which nothing else is drawn, but only once it would look different: by new seconds not before they
 * have moved it by a pixel.
 * @param {HTMLCanvasElement} canvas
 * @param {Strip} strip
 * @param {Drawing} drawing
 */
export function drawIfMoved(canvas, strip, drawing) {
  const ratio = window.devicePixelRatio || 1;
  const { last, rewritten, trend, trend2 } = strip;
  const looks = [canvas.clientWidth, canvas.clientHeight, ratio, light(), strip, rewritten, strip.marks, trend, trend2, ...Object.values(drawing)];
  const before = drawn.get(canvas);
  const movedPx = before ? (last - before.last) * pxPerSecond(drawing.minuteCm) * ratio : 1;
  if (movedPx < 1 && before?.looks.every((one, i) => one === looks[i])) return;
  drawn.set(canvas, { last, looks });
  draw(canvas, strip, drawing);
}

/** Day or night: what all colours of strips hang on. */
function light() {
  return document.documentElement.dataset.light ?? "";
}

/** @type {Map<string, Map<string, string>>} */
const colours = new Map();

/**
 * The colours of the style sheet, each asked for once by day and once by night.
 * @returns {Colour}
 */
function coloursNow() {
  const now = light();
  /** @type {Map<string, string>} */
  const known = colours.get(now) ?? new Map();
  colours.set(now, known);
  return (name) => {
    const found = known.get(name) ?? getComputedStyle(document.documentElement).getPropertyValue(name).trim();
    if (found) known.set(name, found); // none: the style sheet is still to come
    return found;
  };
}

/**
 * @param {HTMLCanvasElement} canvas
 * @param {Strip} strip
 * @param {Drawing} drawing
 */
export function draw(canvas, strip, { minuteCm, bpmPerCm, text = false, runningFrom = null, runningFrom2 = null, handFrom = null, time = timeOfSecond, letters = LETTERS_PX }) {
  const width = canvas.clientWidth;
  const height = canvas.clientHeight;
  const g = canvas.getContext("2d");
  if (!g || !width || !height) return;
  const ratio = window.devicePixelRatio || 1;
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  g.setTransform(ratio, 0, 0, ratio, 0, 0);
  const colour = coloursNow();
  const at = layout(stripStyle(), width, height, strip.last, minuteCm, bpmPerCm);
  const { split, end, x, yFhr, yUa } = at;

  g.fillStyle = colour("--sheet");
  g.fillRect(0, 0, width, height);
  g.fillStyle = colour("--usual");
  const [normalLow, normalHigh] = stripStyle().normal_bpm;
  g.fillRect(0, yFhr(normalHigh), width, yFhr(normalLow) - yFhr(normalHigh));
  grid(g, at, time, colour, letters);
  if (strip.last < 0) return;
  const held = Math.max(at.start, strip.first); // what was found before that has no trace under it any more
  marks(g, strip.drawn, at, held, colour, text);

  for (const from of [runningFrom, runningFrom2]) {
    if (from === null || from >= end) continue;
    g.fillStyle = colour("--fall");
    g.globalAlpha = 0.28;
    g.fillRect(x(from), 0, width - x(from), split);
    g.globalAlpha = 1;
  }
  g.setLineDash([5, 3]);
  g.strokeStyle = colour("--baseline");
  g.lineWidth = 1.2;
  baseline(g, strip.trend, at, held);
  g.setLineDash([2, 3]);
  g.strokeStyle = colour("--fhr2"); // as the line that it belongs to
  baseline(g, strip.trend2, at, held);
  g.setLineDash([]);
  g.strokeStyle = colour("--fhr");
  signal(g, strip.fhr, held, strip.last, at, (v) => yFhr(v / 4));
  if (strip.fhr2) secondTwin(g, strip, strip.fhr2, at, held, colour, letters);
  g.strokeStyle = colour("--ua");
  signal(g, strip.ua, held, strip.last, at, (v) => yUa(v / 2));
  byHand(g, strip.marks, handFrom, at, held, colour, text, height > TIME_FROM * letters);
  moments(g, strip.drawn, at, held, colour, text);
}

/** @param {number} second */
function timeOfSecond(second) {
  return timeOf(second * 1000);
}

/**
 * Contractions timed by hand: open brackets above the uterine activity, never filled like the recorded ones.
 * @param {CanvasRenderingContext2D} g
 * @param {StripMark[]} found
 * @param {number | null} handFrom
 * @param {Layout} at
 * @param {number} start
 * @param {Colour} colour
 * @param {boolean} text
 * @param {boolean} hasTime the time of day stands above
 */
function byHand(g, found, handFrom, { x, split, width }, start, colour, text, hasTime) {
  const style = stripStyle().marks[BY_HAND];
  if (!style) return;
  const top = split + (hasTime ? 15 : 4);
  const spans = [];
  for (const mark of found) {
    if (mark.kind !== BY_HAND || !isOver(mark) || mark.to < start) continue;
    spans.push({ from: x(Math.max(start, mark.from)), to: x(mark.to), isClosed: true });
  }
  if (handFrom !== null) spans.push({ from: x(handFrom), to: width, isClosed: false });
  g.strokeStyle = g.fillStyle = colour(`--${style.colour}`);
  g.lineWidth = 2;
  for (const { from, to, isClosed } of spans) {
    g.beginPath();
    g.moveTo(from, top + 7);
    g.lineTo(from, top);
    g.lineTo(to, top);
    if (isClosed) g.lineTo(to, top + 7);
    g.stroke();
    if (text) g.fillText(said(style.label), from + 3, top + 11);
  }
}

/**
 * @param {CanvasRenderingContext2D} g
 * @param {StripMark[]} found
 * @param {Layout} at
 * @param {number} start
 * @param {Colour} colour
 * @param {boolean} text
 */
function marks(g, found, { x, split, height, yFhr, low }, start, colour, text) {
  const rows = new LabelRows();
  for (const mark of found) {
    const style = stripStyle().marks[mark.kind];
    if (!style || style.place === "ua-top" || !isOver(mark) || mark.to < start) continue;
    const from = x(Math.max(start, mark.from));
    const to = x(mark.to);
    g.fillStyle = colour(`--${style.colour}`);
    if (style.place === "ua-bottom") {
      g.fillRect(from, height - 3, to - from, 3);
      continue;
    }
    g.globalAlpha = 0.16;
    g.fillRect(from, 0, to - from, split);
    g.globalAlpha = 1;
    g.fillRect(from, split - 4, to - from, 4);
    if (text && style.label === "kind") {
      g.fillStyle = colour("--ink");
      const label = kindOf(mark.text);
      g.fillText(label, from, yFhr(low + 6) - 12 * rows.place(from, g.measureText(label).width + 4));
    }
  }
}

/**
 * A baseline, a step for every minute.
 * @param {CanvasRenderingContext2D} g
 * @param {TrendPoint[]} trend
 * @param {Layout} at
 * @param {number} start
 */
function baseline(g, trend, { x, yFhr }, start) {
  g.beginPath();
  for (const [second, bpm] of trend) {
    if (bpm === null || second < start) continue;
    g.moveTo(x(second - 59), yFhr(bpm));
    g.lineTo(x(second + 1), yFhr(bpm));
  }
  g.stroke();
}
