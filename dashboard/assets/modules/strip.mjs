// Draws a strip: FHR above, UA below, on a grid of minutes; newest at the right.

import { HZ, KEPT_S, NONE } from "./feed.mjs";

export const PX_PER_CM = 96 / 2.54;
const FHR_LOW = 50;
const FHR_HIGH = 210;
const UA_HIGH = 100;
const TIME_FROM_PX = 110; // lower strips have no room for the time of day
const KIND_COLOURS = { deceleration: "--fall", acceleration: "--rise", contraction: "--tight" };

// Width of one minute in CSS pixels; text: write what was found beside its mark; runningFrom, handFrom: second a
// deceleration, or a contraction timed by hand, that is not over began.
export function draw(canvas, strip, { minutePx = PX_PER_CM, text = false, runningFrom = null, handFrom = null } = {}) {
  const width = canvas.clientWidth;
  const height = canvas.clientHeight;
  if (!width || !height) return;
  const ratio = window.devicePixelRatio || 1;
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const g = canvas.getContext("2d");
  g.setTransform(ratio, 0, 0, ratio, 0, 0);
  const style = getComputedStyle(canvas);
  const colour = (name) => style.getPropertyValue(name).trim();
  const split = Math.round(height * 0.72);
  const end = strip.last + 1; // right edge, in seconds
  const secondPx = minutePx / 60;
  const x = (s) => width - (end - s) * secondPx;
  const yFhr = (bpm) => 4 + ((FHR_HIGH - bpm) / (FHR_HIGH - FHR_LOW)) * (split - 10);
  const yUa = (ua) => height - 3 - (Math.min(ua, UA_HIGH) / UA_HIGH) * (height - split - 8);
  const start = end - width / secondPx;

  g.fillStyle = colour("--sheet");
  g.fillRect(0, 0, width, height);
  g.fillStyle = colour("--usual");
  g.fillRect(0, yFhr(160), width, yFhr(110) - yFhr(160));
  grid(g, { width, height, split, start, end, x, yFhr, colour });
  if (strip.last < 0) return;
  const held = Math.max(start, strip.first); // what was found before that has no trace under it any more
  marks(g, strip, { x, split, height, start: held, yFhr, colour, text });

  if (runningFrom !== null && runningFrom < end) {
    g.fillStyle = colour("--fall");
    g.globalAlpha = 0.28;
    g.fillRect(x(runningFrom), 0, width - x(runningFrom), split);
    g.globalAlpha = 1;
  }
  g.setLineDash([5, 3]);
  g.strokeStyle = colour("--baseline");
  g.lineWidth = 1.2;
  steps(g, strip, held, x, yFhr);
  g.setLineDash([]);
  g.strokeStyle = colour("--fhr");
  g.lineWidth = 1.3;
  line(g, strip.fhr, strip, held, x, (v) => yFhr(v / 4), secondPx);
  g.strokeStyle = colour("--ua");
  line(g, strip.ua, strip, held, x, (v) => yUa(v / 2), secondPx);
  byHand(g, strip, handFrom, { x, top: split + (height > TIME_FROM_PX ? 15 : 4), width, start: held, colour, text });
}

// Contractions timed by hand: open brackets above the uterine activity, never filled like the recorded ones.
function byHand(g, strip, handFrom, { x, top, width, start, colour, text }) {
  const timed = strip.marks.filter((mark) => mark.kind === "hand-contraction" && mark.to !== null && mark.to >= start);
  const spans = timed.map((mark) => [x(Math.max(start, mark.from)), x(mark.to), true]);
  if (handFrom !== null) spans.push([x(handFrom), width, false]);
  g.strokeStyle = g.fillStyle = colour("--by-hand");
  g.lineWidth = 2;
  for (const [from, to, isOver] of spans) {
    g.beginPath();
    g.moveTo(from, top + 7);
    g.lineTo(from, top);
    g.lineTo(to, top);
    if (isOver) g.lineTo(to, top + 7);
    g.stroke();
    if (text) g.fillText("by hand", from + 3, top + 11);
  }
}

function grid(g, { width, height, split, start, end, x, yFhr, colour }) {
  g.font = "11px system-ui, sans-serif";
  g.lineWidth = 1;
  for (let minute = Math.ceil(start / 60); minute * 60 <= end; minute++) {
    const at = Math.round(x(minute * 60)) + 0.5;
    const strong = minute % 5 === 0;
    g.strokeStyle = colour(strong ? "--grid-strong" : "--grid");
    g.beginPath();
    g.moveTo(at, 0);
    g.lineTo(at, height);
    g.stroke();
    if (strong && height > TIME_FROM_PX && at > 2 && at < width - 34) {
      g.fillStyle = colour("--faint");
      g.fillText(new Date(minute * 60000).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hourCycle: "h23" }), at + 3, split + 8);
    }
  }
  for (let bpm = FHR_LOW + 10; bpm < FHR_HIGH; bpm += 20) {
    g.strokeStyle = colour("--grid");
    g.beginPath();
    g.moveTo(0, Math.round(yFhr(bpm)) + 0.5);
    g.lineTo(width, Math.round(yFhr(bpm)) + 0.5);
    g.stroke();
  }
  g.fillStyle = colour("--faint");
  for (const bpm of height > TIME_FROM_PX ? [180, 140, 100, 60] : [160, 110]) g.fillText(String(bpm), 3, yFhr(bpm) - 2);
}

function marks(g, strip, { x, split, height, start, yFhr, colour, text }) {
  let row = 0;
  for (const mark of strip.marks) {
    const name = KIND_COLOURS[mark.kind];
    if (!name || mark.to === null || mark.to < start) continue;
    const [from, to] = [x(Math.max(start, mark.from)), x(mark.to)];
    g.fillStyle = colour(name);
    if (mark.kind === "contraction") {
      g.fillRect(from, height - 3, to - from, 3);
      continue;
    }
    g.globalAlpha = 0.16;
    g.fillRect(from, 0, to - from, split);
    g.globalAlpha = 1;
    g.fillRect(from, split - 4, to - from, 4);
    if (text && mark.kind === "deceleration") {
      g.fillStyle = colour("--ink");
      g.fillText(mark.text.split(" ")[0], from, yFhr(FHR_LOW + 6) - 12 * (row++ % 3));
    }
  }
}

// The baseline, a step for every minute.
function steps(g, strip, start, x, yFhr) {
  g.beginPath();
  for (const [second, bpm] of strip.trend) {
    if (bpm === null || second < start) continue;
    g.moveTo(x(second - 59), yFhr(bpm));
    g.lineTo(x(second + 1), yFhr(bpm));
  }
  g.stroke();
}

// One polyline; where several samples share a pixel only their extremes are drawn.
function line(g, ring, strip, start, x, y, secondPx) {
  g.beginPath();
  let drawing = false;
  let column = NaN;
  let low = 0;
  let high = 0;
  const perSample = secondPx / HZ;
  const first = Math.floor(start) * HZ;
  const last = (strip.last + 1) * HZ;
  const size = KEPT_S * HZ;
  for (let i = first; i < last; i++) {
    const value = ring[((i % size) + size) % size];
    if (value === NONE) {
      drawing = false;
      column = NaN;
      continue;
    }
    const at = x(i / HZ);
    const pixel = perSample >= 1 ? i : Math.round(at);
    if (!drawing) {
      g.moveTo(at, y(value));
      g.lineTo(at + Math.max(0.5, perSample), y(value));
      drawing = true;
    } else if (pixel !== column) {
      g.lineTo(at, y(value));
      low = high = value;
    } else if (value < low || value > high) {
      g.lineTo(at, y(value));
      low = Math.min(low, value);
      high = Math.max(high, value);
    }
    if (pixel !== column) low = high = value;
    column = pixel;
  }
  g.stroke();
}
