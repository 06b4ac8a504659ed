// In which order and in how many rows the beds stand. Pure.

/** @import { Card, Options } from "../shared/types" */

/** @typedef {Pick<Card, "bed" | "state">} Standing */

export const FIRST_HEIGHT = 2; // of the first row, in rows
const SEVERAL = 6; // more beds than this are several, and
const MANY = 12; // more than this are many
const WALL_THREE = 24; // a wall with more than this has three columns
const byName = new Intl.Collator("en", { numeric: true });

/**
 * The beds in the order that was chosen, and the one that has a higher row, null where there is none.
 * @template {Standing} Bed
 * @param {Bed[]} byNeed the one that needs somebody first, as the server sends them
 * @param {Options["order"]} order
 * @returns {{ beds: Bed[], first: Bed | null }}
 */
export function inOrder(byNeed, order) {
  if (order === "place") return { beds: [...byNeed].sort((a, b) => byName.compare(a.bed, b.bed)), first: null };
  const top = byNeed[0];
  return { beds: byNeed, first: top && asksForSomebody(top) ? top : null };
}

/** @param {Standing} card */
function asksForSomebody(card) {
  return !["quiet", "noted", "shelved", "paused", "empty"].includes(card.state);
}

/**
 * How many rows share the screen, in how many columns.
 * @param {number} beds
 * @param {boolean} hasFirst
 * @param {boolean} isWall
 */
export function gridSize(beds, hasFirst, isWall) {
  const size = beds > MANY ? "many" : beds > SEVERAL ? "several" : "few";
  const columns = size === "many" ? (isWall && beds > WALL_THREE ? 3 : 2) : 1;
  return { size, columns, rows: hasFirst ? FIRST_HEIGHT + Math.ceil((beds - 1) / columns) : Math.ceil(beds / columns) };
}
