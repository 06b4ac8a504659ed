// The grid of a strip: minutes and levels of the FHR, as a strip of paper has them.

import { stripStyle } from "./strip_style.mjs";

/** @import { Layout } from "./geometry.mjs" */
/** @import { Colour } from "./draw.mjs" */

export const TIME_FROM = 10; // sizes of a letter: lower strips have no room for the time of day

/**
 * Lines and what is written on them.
 * @param {CanvasRenderingContext2D} g
 * @param {Layout} at
 * @param {(second: number) => string} time
 * @param {Colour} colour
 * @param {number} letters
 */
export function grid(g, { width, height, split, start, end, x, yFhr, fhr, speed }, time, colour, letters) {
  g.font = `${letters}px system-ui, sans-serif`;
  g.lineWidth = 1;
  /** @type {(second: number) => number} */
  const pixel = (second) => Math.round(x(second)) + 0.5;
  const seconds = multiples(speed.line_s, start, end);
  const [low, high] = fhr.range;
  const levels = multiples(fhr.line, low, high).filter((bpm) => low < bpm && bpm < high);
  for (const isStrong of [false, true]) {
    g.beginPath();
    for (const second of seconds) {
      if ((second % speed.strong_line_s === 0) !== isStrong) continue;
      g.moveTo(pixel(second), 0);
      g.lineTo(pixel(second), height);
    }
    for (const bpm of levels) {
      if ((fhr.strong_line > 0 && bpm % fhr.strong_line === 0) !== isStrong) continue;
      g.moveTo(0, Math.round(yFhr(bpm)) + 0.5);
      g.lineTo(width, Math.round(yFhr(bpm)) + 0.5);
    }
    g.strokeStyle = colour(isStrong ? "--grid-strong" : "--grid");
    g.stroke();
  }
  const hasTime = height > TIME_FROM * letters;
  if (hasTime) {
    g.fillStyle = colour("--faint");
    for (const second of seconds) {
      if (second % speed.time_s === 0 && pixel(second) > 2 && pixel(second) < width - 3.1 * letters) g.fillText(time(second), pixel(second) + 3, split + 8);
    }
  }
  const [normalLow, normalHigh] = stripStyle().normal_bpm;
  const normal = yFhr(normalLow) - yFhr(normalHigh) < letters ? [normalHigh] : [normalHigh, normalLow]; // a line of text
  for (const bpm of hasTime ? fhr.labels : normal) {
    const label = String(bpm);
    const bottom = Math.max(yFhr(bpm), letters); // all of it is on the strip
    g.fillStyle = colour("--sheet"); // no line through it
    g.fillRect(2, bottom - letters, g.measureText(label).width + 2, letters - 1);
    g.fillStyle = colour("--faint");
    g.fillText(label, 3, bottom - 2);
  }
}

/**
 * The multiples of a number from one value to another, both included.
 * @param {number} of
 * @param {number} from
 * @param {number} to
 */
function multiples(of, from, to) {
  const first = Math.ceil(from / of);
  return Array.from({ length: Math.max(0, Math.floor(to / of) - first + 1) }, (_, i) => (first + i) * of);
}
