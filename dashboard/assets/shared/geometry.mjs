// Where things lie on a strip, by its description. Numbers in, numbers out; what is drawn goes to a pen that is handed in.

import { HZ, KEPT_S, NONE } from "./strip.mjs";
import { fhrScale, speedScale } from "./strip_style.mjs";

/** @import { BpmPerCm, StripStyle } from "./types" */

/** @typedef {Pick<CanvasPath, "moveTo" | "lineTo">} Pen */
/** @typedef {ReturnType<typeof layout>} Layout */

const PX_PER_CM = 96 / 2.54; // CSS pixels
const FHR_SHARE = 0.72; // of a strip that fits what room there is
const TOP_PX = 4;
const BETWEEN_PX = 14; // the time of day stands there

/**
 * Height in CSS pixels of a strip that is to scale.
 * @param {StripStyle} style
 * @param {"20" | "30"} bpmPerCm
 */
export function heightToScale(style, bpmPerCm) {
  const [low, high] = fhrScale(style, bpmPerCm).range;
  return TOP_PX + ((high - low) / Number(bpmPerCm) + style.ua.height_cm) * PX_PER_CM + BETWEEN_PX;
}

/** @param {number} minuteCm */
export function pxPerSecond(minuteCm) {
  return (minuteCm * PX_PER_CM) / 60;
}

/**
 * Where seconds, bpm and uterine activity lie on a canvas of a size in pixels; the newest second ends at its right edge.
 * @param {StripStyle} style
 * @param {number} width
 * @param {number} height
 * @param {number} last second
 * @param {number} minuteCm paper speed
 * @param {BpmPerCm} bpmPerCm "fit" takes what room there is
 */
export function layout(style, width, height, last, minuteCm, bpmPerCm) {
  const fhr = fhrScale(style, bpmPerCm);
  const { ua } = style;
  const [low, high] = fhr.range;
  const uaHigh = ua.range[1];
  const isFit = bpmPerCm === "fit";
  const fhrPx = isFit ? Math.round(height * FHR_SHARE) - 10 : ((high - low) / Number(bpmPerCm)) * PX_PER_CM;
  const split = isFit ? Math.round(height * FHR_SHARE) : TOP_PX + fhrPx + BETWEEN_PX - 4;
  const uaPx = isFit ? height - split - 8 : ua.height_cm * PX_PER_CM;
  const end = last + 1; // right edge, in seconds
  const secondPx = pxPerSecond(minuteCm);
  return {
    width, height, split, end, secondPx, low, fhr, speed: speedScale(style, minuteCm),
    start: end - width / secondPx,
    /** @param {number} s */
    x: (s) => width - (end - s) * secondPx,
    /** @param {number} bpm */
    yFhr: (bpm) => TOP_PX + ((high - Math.min(high, Math.max(low, bpm))) / (high - low)) * fhrPx,
    /** @param {number} value */
    yUa: (value) => height - 3 - (Math.min(value, uaHigh) / uaHigh) * uaPx,
  };
}

/**
 * The second that lies so many pixels left of a strip's right edge.
 * @param {number} last second of the strip
 * @param {number} px
 * @param {number} minuteCm
 */
export function secondLeftOf(last, px, minuteCm) {
  return last + 1 - px / pxPerSecond(minuteCm);
}

/**
 * Moves the pen along a signal: a line of its own for each run of values, so that no gap is bridged; where several
 * samples share a pixel only their extremes are drawn.
 * @param {Pen} pen
 * @param {Int16Array} ring
 * @param {number} start second
 * @param {number} last second
 * @param {(second: number) => number} x each second is `secondPx` wide
 * @param {(value: number) => number} y
 * @param {number} secondPx
 */
export function trace(pen, ring, start, last, x, y, secondPx) {
  let isDrawing = false;
  let column = NaN;
  let low = 0;
  let high = 0;
  const perSample = secondPx / HZ;
  const size = KEPT_S * HZ;
  const first = Math.floor(start) * HZ;
  const left = x(first / HZ);
  let place = ((first % size) + size) % size;
  for (let i = 0; i < (last + 1) * HZ - first; i++, place++) {
    if (place === size) place = 0;
    const value = ring[place] ?? NONE;
    if (value === NONE) {
      isDrawing = false;
      column = NaN;
      continue;
    }
    const at = left + i * perSample;
    const pixel = perSample >= 1 ? i : Math.round(at);
    if (!isDrawing) {
      pen.moveTo(at, y(value));
      pen.lineTo(at + Math.max(0.5, perSample), y(value));
      isDrawing = true;
    } else if (pixel !== column) {
      pen.lineTo(at, y(value));
    } else if (value < low || value > high) {
      pen.lineTo(at, y(value));
      low = Math.min(low, value);
      high = Math.max(high, value);
    }
    if (pixel !== column) low = high = value;
    column = pixel;
  }
}
