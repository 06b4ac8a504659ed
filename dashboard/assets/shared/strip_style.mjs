// What all drawings of a strip have in common: scales, ranges, grids, kinds of marks. The page's shell carries it; it
// is written down once, in quietward/contracts/strip.py.

import { byId } from "./elements.mjs";

/** @import { FhrScale, SpeedScale, StripStyle } from "./types" */

/** @type {StripStyle | null} */
let known = null;

/** The one that the page's shell carries.
 * @returns {StripStyle}
 */
export function stripStyle() {
  known ??= /** @type {StripStyle} */ (JSON.parse(byId("page").dataset.strip ?? ""));
  return known;
}

/**
 * The scale of a height; that of strips which fit the room there is, is the first.
 * @param {StripStyle} style
 * @param {string} bpmPerCm
 * @returns {FhrScale}
 */
export function fhrScale({ fhr }, bpmPerCm) {
  return fhr.find((scale) => String(scale.bpm_per_cm) === bpmPerCm) ?? fhr[0];
}

/**
 * The scale of a paper speed.
 * @param {StripStyle} style
 * @param {number} cmPerMin
 * @returns {SpeedScale}
 */
export function speedScale({ speeds }, cmPerMin) {
  return speeds.find((scale) => scale.cm_per_min === cmPerMin) ?? speeds[0];
}
