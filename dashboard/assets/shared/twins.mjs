// What a strip shows of a second twin.

import { trace } from "./geometry.mjs";
import { said } from "./language.mjs";
import { HZ, NONE } from "./strip.mjs";

/** @import { Colour } from "./draw.mjs" */
/** @import { Layout } from "./geometry.mjs" */
/** @import { Strip } from "./strip.mjs" */

/**
 * The rate of a second twin: dashed and thinner than that of the first; each has its number at the right end.
 * @param {CanvasRenderingContext2D} g
 * @param {Strip} strip
 * @param {Int16Array} fhr2
 * @param {Layout} at
 * @param {number} held
 * @param {Colour} colour
 * @param {number} letters
 */
export function secondTwin(g, strip, fhr2, { x, yFhr, secondPx, width }, held, colour, letters) {
  const ends = [strip.fhr, fhr2].map((ring) => lastOf(ring, strip.last, held));
  if (ends[1] === null) return; // of a woman who was here before
  g.strokeStyle = colour("--fhr2");
  g.setLineDash([3, 2]);
  g.lineWidth = 1.1;
  g.beginPath();
  trace(g, fhr2, held, strip.last, x, (v) => yFhr(v / 4), secondPx);
  g.stroke();
  g.setLineDash([]);
  const usual = g.font;
  const label = letters + 2; // px: of a line's number at its right end
  const highest = 0.64 * letters; // middle of a number that is all on the strip
  g.font = `bold ${letters + 1}px system-ui, sans-serif`;
  const places = ends.map((bpm) => (bpm === null ? null : yFhr(bpm)));
  const [a = null, b = null] = places;
  const apart = a !== null && b !== null && Math.abs(a - b) < label ? (label - Math.abs(a - b)) / 2 : 0;
  places.forEach((y, i) => {
    const other = i ? a : b;
    if (y === null) return;
    const isLower = other !== null && (y > other || (y === other && i === 1));
    const middle = isLower ? Math.max(y + apart, highest + label) : Math.max(y - apart, highest);
    const bottom = middle + 0.36 * letters;
    const left = width - 0.9 * letters;
    g.strokeStyle = colour("--sheet"); // a rim, so that it can be read on any line
    g.lineWidth = 3;
    g.strokeText(String(i + 1), left, bottom);
    g.fillStyle = colour(i ? "--fhr2" : "--fhr");
    g.fillText(String(i + 1), left, bottom);
  });
  g.font = usual;
}

/**
 * The newest value of a rate in bpm; null where there is none.
 * @param {Int16Array} ring
 * @param {number} last
 * @param {number} first
 */
function lastOf(ring, last, first) {
  for (let i = (last + 1) * HZ - 1; i >= first * HZ; i--) {
    const value = ring[i % ring.length] ?? NONE;
    if (value !== NONE) return value / 4;
  }
  return null;
}

/**
 * The kind of a finding, the first word of its text; of twins with the number of the fetus.
 * @param {string} text
 */
export function kindOf(text) {
  const [, which, finding = ""] = /^(?:(first|second) twin: )?(.*)$/s.exec(text) ?? [];
  const kind = said(finding.split(" ")[0] ?? "");
  return which ? `${kind} ${which === "first" ? 1 : 2}` : kind;
}
