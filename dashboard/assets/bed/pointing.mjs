// Which finding on a strip a pointer or an arrow key means. Pure.

import { isOver } from "../shared/strip.mjs";

/** @import { StripMark } from "../shared/types" */

const EXPLAINED = ["deceleration", "acceleration", "contraction"]; // where they overlap, the first is meant

/**
 * The finding under a second.
 * @param {StripMark[]} marks
 * @param {number} second
 */
export function findingAt(marks, second) {
  const under = explained(marks).filter((mark) => mark.from <= second && second <= mark.to);
  return under.sort((a, b) => EXPLAINED.indexOf(a.kind) - EXPLAINED.indexOf(b.kind))[0] ?? null;
}

/**
 * The finding before or after one; the newest where none is chosen.
 * @param {StripMark[]} marks
 * @param {StripMark | null} chosen
 * @param {-1 | 1} way
 */
export function neighbour(marks, chosen, way) {
  const known = explained(marks).sort((a, b) => a.from - b.from);
  const here = known.findIndex((mark) => mark.from === chosen?.from && mark.kind === chosen?.kind);
  return known[here < 0 ? known.length - 1 : Math.max(0, Math.min(known.length - 1, here + way))] ?? null;
}

/** @param {StripMark[]} marks */
function explained(marks) {
  return marks.filter(isOver).filter((mark) => EXPLAINED.includes(mark.kind));
}
