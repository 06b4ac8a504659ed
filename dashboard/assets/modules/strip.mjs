// Draws a strip: FHR above, UA below, on a grid of minutes; newest at the right.

import { timeOf } from "./elements.mjs";
import { HZ, KEPT_S, NONE } from "./feed.mjs";

const PX_PER_CM = 96 / 2.54;
const RANGES = { 20: [50, 210], 30: [30, 240] }; // bpm on paper of 20 and 30 bpm a centimetre; common practice, no source
const UA_HIGH = 100;
const UA_CM = 3;
const FHR_SHARE = 0.72; // of a strip that fits what room there is
const TOP_PX = 4;
const BETWEEN_PX = 14; // the time of day stands there
const TIME_FROM_PX = 110; // lower strips have no room for the time of day
const KIND_COLOURS = { deceleration: "--fall", acceleration: "--rise", contraction: "--tight" };

const timeOfDay = (second) => timeOf(second * 1000);

// Height in CSS pixels of a strip that is to scale.
export function heightToScale(bpmPerCm) {
  const [low, high] = RANGES[bpmPerCm];
  return TOP_PX + ((high - low) / bpmPerCm + UA_CM) * PX_PER_CM + BETWEEN_PX;
}

// Where things lie on a canvas of a size. minuteCm: paper speed; bpmPerCm: "fit" takes what room there is.
function layout(width, height, strip, { minuteCm, bpmPerCm }) {
  const [low, high] = RANGES[bpmPerCm] ?? RANGES[20];
  const fhrPx = bpmPerCm === "fit" ? Math.round(height * FHR_SHARE) - 10 : ((high - low) / bpmPerCm) * PX_PER_CM;
  const split = bpmPerCm === "fit" ? Math.round(height * FHR_SHARE) : TOP_PX + fhrPx + BETWEEN_PX - 4;
  const uaPx = bpmPerCm === "fit" ? height - split - 8 : UA_CM * PX_PER_CM;
  const end = strip.last + 1; // right edge, in seconds
  const secondPx = (minuteCm * PX_PER_CM) / 60;
  return {
    width, height, split, end, secondPx, low, high, bpmPerCm, minuteCm,
    start: end - width / secondPx,
    x: (s) => width - (end - s) * secondPx,
    yFhr: (bpm) => TOP_PX + ((high - Math.min(high, Math.max(low, bpm))) / (high - low)) * fhrPx,
    yUa: (ua) => height - 3 - (Math.min(ua, UA_HIGH) / UA_HIGH) * uaPx,
  };
}

// The band of the first rule set that a detector runs; none while no detector has said its rules.
export const usualBpm = (policy) => policy?.rule_sets[0]?.usual_baseline_bpm ?? null;

// The second of the strip that lies under a place on its canvas.
export function secondAt(canvas, strip, clientX, minuteCm) {
  const box = canvas.getBoundingClientRect();
  return strip.last + 1 - ((box.right - clientX) * 60) / (minuteCm * PX_PER_CM);
}

// text: write what was found beside its mark; runningFrom, handFrom: second a deceleration, or a contraction timed by
// hand, that is not over began; usualBpm: lowest and highest of the band that is shown, none while nobody has said it;
// time: second to words.
export function draw(canvas, strip, { minuteCm = 1, bpmPerCm = "fit", text = false, runningFrom = null, handFrom = null, usualBpm = null, time = timeOfDay } = {}) {
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
  const at = { ...layout(width, height, strip, { minuteCm, bpmPerCm }), time, usualBpm };
  const { split, end, x, yFhr, yUa } = at;

  g.fillStyle = colour("--sheet");
  g.fillRect(0, 0, width, height);
  if (usualBpm) {
    const [lowest, highest] = usualBpm;
    g.fillStyle = colour("--usual");
    g.fillRect(0, yFhr(highest), width, yFhr(lowest) - yFhr(highest));
  }
  grid(g, at, colour);
  if (strip.last < 0) return;
  const held = Math.max(at.start, strip.first); // what was found before that has no trace under it any more
  marks(g, strip, at, { start: held, colour, text });

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
  line(g, strip.fhr, strip, held, x, (v) => yFhr(v / 4), at.secondPx);
  g.strokeStyle = colour("--ua");
  line(g, strip.ua, strip, held, x, (v) => yUa(v / 2), at.secondPx);
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

function grid(g, { width, height, split, start, end, x, yFhr, low, high, bpmPerCm, minuteCm, time, usualBpm }, colour) {
  g.font = "11px system-ui, sans-serif";
  g.lineWidth = 1;
  const between = { 1: 60, 2: 30, 3: 20 }[minuteCm]; // a line for every 6 to 10 mm
  const heavy = minuteCm > 1 ? 60 : 300;
  for (let second = Math.ceil(start / between) * between; second <= end; second += between) {
    const at = Math.round(x(second)) + 0.5;
    g.strokeStyle = colour(second % heavy === 0 ? "--grid-strong" : "--grid");
    g.beginPath();
    g.moveTo(at, 0);
    g.lineTo(at, height);
    g.stroke();
    if (second % (minuteCm > 1 ? 120 : 300) === 0 && height > TIME_FROM_PX && at > 2 && at < width - 34) {
      g.fillStyle = colour("--faint");
      g.fillText(time(second), at + 3, split + 8);
    }
  }
  const perLine = bpmPerCm === "30" ? 10 : 20;
  for (let bpm = Math.floor(low / perLine) * perLine + perLine; bpm < high; bpm += perLine) {
    g.strokeStyle = colour(bpmPerCm === "30" && bpm % 30 === 0 ? "--grid-strong" : "--grid");
    g.beginPath();
    g.moveTo(0, Math.round(yFhr(bpm)) + 0.5);
    g.lineTo(width, Math.round(yFhr(bpm)) + 0.5);
    g.stroke();
  }
  g.fillStyle = colour("--faint");
  const usual = [...(usualBpm ?? [])].reverse();
  const namesTouch = usualBpm && yFhr(usualBpm[0]) - yFhr(usualBpm[1]) < 11;
  const named = height <= TIME_FROM_PX ? usual.slice(0, namesTouch ? 1 : 2) : bpmPerCm === "30" ? [210, 180, 150, 120, 90, 60] : [180, 140, 100, 60];
  for (const bpm of named) g.fillText(String(bpm), 3, yFhr(bpm) - 2);
}

function marks(g, strip, { x, split, height, yFhr, low }, { start, colour, text }) {
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
      g.fillText(mark.text.split(" ")[0], from, yFhr(low + 6) - 12 * (row++ % 3));
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
