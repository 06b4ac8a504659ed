// The pen that a signal is drawn with.

import { trace } from "./geometry.mjs";

/** @import { Layout } from "./geometry.mjs" */

const WIDTH_PX = 1.3;
const FINE = 2; // pixels of the screen in one of the page: there lines of one pixel would be too thin

/**
 * Draws a signal in the colour that is set. Where nothing but the processor draws, a line of up to one pixel costs a
 * tenth of a wider one, and has no spikes at its corners, which look like beats that were not there: so a wider one is
 * two of them, one a little above the other.
 * @param {CanvasRenderingContext2D} g
 * @param {Int16Array} ring
 * @param {number} from second
 * @param {number} last second
 * @param {Pick<Layout, "x" | "secondPx">} at
 * @param {(value: number) => number} y
 */
export function signal(g, ring, from, last, { x, secondPx }, y) {
  const path = new Path2D();
  trace(path, ring, from, last, x, y, secondPx);
  const ratio = window.devicePixelRatio || 1;
  if (ratio >= FINE) {
    g.lineWidth = WIDTH_PX;
    g.stroke(path);
    return;
  }
  g.lineWidth = 1 / ratio;
  const apart = WIDTH_PX - 1 / ratio;
  g.translate(0, -apart / 2);
  g.stroke(path);
  g.translate(0, apart);
  g.stroke(path);
  g.translate(0, -apart / 2);
}
