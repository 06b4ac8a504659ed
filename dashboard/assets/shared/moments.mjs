// What happened at a moment, on a strip: flags that called, and what was done; and where labels find room.

import { said } from "./language.mjs";

/** @import { Layout } from "./geometry.mjs" */
/** @import { StripMark } from "./types" */

const FLAG = "flag-"; // the level stands behind it
const NOTE = "note";
const ROW_PX = 12;

/**
 * Flags that called, as pennants at the upper edge, and what was done, as triangles there.
 * @param {CanvasRenderingContext2D} g
 * @param {StripMark[]} found by their beginnings
 * @param {Layout} at
 * @param {number} start
 * @param {(name: string) => string} colour
 * @param {boolean} text
 */
export function moments(g, found, { x, split, end, width }, start, colour, text) {
  const rows = new LabelRows();
  for (const mark of found) {
    const level = mark.kind.startsWith(FLAG) ? mark.kind.slice(FLAG.length) : "";
    if ((!level && mark.kind !== NOTE) || mark.from < start || mark.from > end) continue;
    const left = Math.round(x(mark.from)) + 0.5;
    g.fillStyle = g.strokeStyle = colour(level ? `--${level}` : "--person");
    g.lineWidth = 1.5;
    g.beginPath();
    if (level) {
      g.moveTo(left, 0);
      g.lineTo(left, split);
      g.stroke();
      g.beginPath();
      g.moveTo(left, 1);
      g.lineTo(left + 9, 5);
      g.lineTo(left, 9);
    } else {
      g.moveTo(left - 5, 1);
      g.lineTo(left + 5, 1);
      g.lineTo(left, 10);
    }
    g.fill();
    if (!text) continue;
    const label = said(mark.text);
    const wide = g.measureText(label).width;
    const from = left + 11 + wide <= width ? left + 11 : left - 8 - wide; // at the right edge it stands before its mark
    const row = rows.place(from, wide + 5);
    g.fillStyle = colour("--ink");
    g.fillText(label, from, 10 + ROW_PX * row);
  }
}

/** Rows for labels: each goes to the first row in which it covers none that was there before. */
export class LabelRows {
  constructor() {
    /** @type {number[]} */
    this.ends = []; // right ends by row
  }

  /**
   * @param {number} left
   * @param {number} width
   */
  place(left, width) {
    const free = this.ends.findIndex((end) => end <= left);
    const row = free < 0 ? this.ends.length : free;
    this.ends[row] = left + width;
    return row;
  }
}
