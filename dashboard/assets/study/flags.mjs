// The flags of a simulated shift under one position of a slider, as a drawing.

import { hatchPattern, makeSvg } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";
import { plain } from "../shared/words.mjs";

/** @typedef {{ bed: number, level: number, from_s: number, until_s: number, why: string }} Flag */
/** @typedef {{ value: number, calls: Record<string, number>, flags: Flag[] }} Position calls: interruptions by level */
/** @typedef {{ key: string, today: number, positions: Position[] }} Slider */
/** beds: their scenarios, or names; needs: by bed, from when to when somebody was needed.
 * @typedef {object} WhatIf
 * @property {string} about
 * @property {string} study
 * @property {number} hours
 * @property {string[]} beds
 * @property {{ from_s: number, until_s: number }[][]} needs
 * @property {Slider[]} sliders
 */

export const LEVELS = ["", "look", "bedside", "team"]; // by rank; the first is that of a bed without a flag
const OWN = "running-shift"; // the study of this ward's own hours
const LEFT = 190, WIDTH = 1200, ROW = 30, TOP = 24;
const HEIGHTS = [0, 8, 13, 18]; // by rank

/**
 * Hours and minutes since the shift began.
 * @param {number} seconds
 */
export function clock(seconds) {
  return `${Math.floor(seconds / 3600)}:${String(Math.floor((seconds % 3600) / 60)).padStart(2, "0")}`;
}

/**
 * @param {WhatIf} whatIf
 * @param {Position} position
 * @param {(words: string) => void} tell is told what the pointer or the keyboard is at
 */
export function drawFlags({ beds, needs, hours, study }, position, tell) {
  /** @param {number} bed */
  const named = (bed) => (study === OWN ? (beds[bed] ?? "") : `${bed + 1} ${plain(beds[bed] ?? "")}`); // own beds have names already
  const height = TOP + beds.length * ROW + 6;
  /** @param {number} s */
  const x = (s) => LEFT + (s / (hours * 3600)) * WIDTH;
  const svg = makeSvg("svg", { viewBox: `0 0 ${LEFT + WIDTH + 24} ${height}`, role: "group", "aria-label": _("Flags of all beds over the shift") });
  svg.append(hatchPattern("hatch"));
  for (let hour = 0; hour <= hours; hour += hours > 3 ? 1 : 0.25) {
    const at = x(hour * 3600);
    svg.append(makeSvg("line", { class: "hour", x1: at, x2: at, y1: TOP - 4, y2: height }), makeSvg("text", { class: "axis", x: at, y: TOP - 9, "text-anchor": "middle" }, clock(hour * 3600)));
  }
  for (const bed of beds.keys()) {
    const y = TOP + bed * ROW;
    svg.append(makeSvg("text", { class: "name", x: LEFT - 10, y: y + ROW / 2 + 4, "text-anchor": "end" }, named(bed)));
    svg.append(makeSvg("line", { class: "rest", x1: LEFT, x2: LEFT + WIDTH, y1: y + ROW - 5, y2: y + ROW - 5 }));
    for (const need of needs[bed] ?? []) {
      svg.append(makeSvg("rect", { class: "need", fill: "url(#hatch)", x: x(need.from_s), y: y + 2, width: Math.max(2, x(need.until_s) - x(need.from_s)), height: ROW - 7 }));
    }
  }
  for (const flag of position.flags) {
    const size = HEIGHTS[flag.level] ?? 0;
    const told = { bed: study === OWN ? named(flag.bed) : _("Bed {name}", { name: named(flag.bed) }), level: said(LEVELS[flag.level] ?? ""), from: clock(flag.from_s), until: clock(flag.until_s), why: said(plain(flag.why)) };
    const words = _("{bed}, {level} from {from} to {until}: {why}", told);
    const bar = makeSvg("rect", { class: `flag ${LEVELS[flag.level]}`, x: x(flag.from_s), y: TOP + (flag.bed + 1) * ROW - 5 - size, width: Math.max(3, x(flag.until_s) - x(flag.from_s)), height: size, tabindex: 0, role: "img", "aria-label": words });
    bar.append(makeSvg("title", {}, words));
    for (const event of ["pointerenter", "focus"]) bar.addEventListener(event, () => tell(words));
    svg.append(bar);
  }
  return svg;
}
