// What all drawings of a strip have in common: scales, ranges, grids, kinds of marks. The page's shell carries it; it
// is written down once, in quietward/contracts/strip.py.

import { byId } from "./elements.mjs";

/** @import { FhrScale, SpeedScale, StripStyle } from "./types" */

/** @type {StripStyle | null} */
let style = null;

/** @returns {StripStyle} */
export function stripStyle() {
  style ??= /** @type {StripStyle} */ (JSON.parse(byId("page").dataset.strip ?? ""));
  return style;
}

/**
 * The scale of a height; that of strips which fit the room there is, is the first.
 * @param {string} bpmPerCm
 * @returns {FhrScale}
 */
export function fhrScale(bpmPerCm) {
  const { fhr } = stripStyle();
  return fhr.find((scale) => String(scale.bpm_per_cm) === bpmPerCm) ?? fhr[0];
}

/**
 * The scale of a paper speed.
 * @param {number} cmPerMin
 * @returns {SpeedScale}
 */
export function speedScale(cmPerMin) {
  const { speeds } = stripStyle();
  return speeds.find((scale) => scale.cm_per_min === cmPerMin) ?? speeds[0];
}
