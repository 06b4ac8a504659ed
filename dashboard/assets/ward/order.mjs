// In which order and in how many rows the beds stand, on the ward and on a wall display. Pure.

/** @import { Card, Options } from "../shared/types" */

/** @typedef {Pick<Card, "bed" | "state">} Standing */

export const FIRST_HEIGHT = 2; // of the first row, in rows
const SEVERAL = 6; // more beds than this are several, and
const MANY = 12; // more than this are many
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
 */
export function gridSize(beds, hasFirst) {
  const size = beds > MANY ? "many" : beds > SEVERAL ? "several" : "few";
  const columns = size === "many" ? 2 : 1;
  return { size, columns, rows: hasFirst ? FIRST_HEIGHT + Math.ceil((beds - 1) / columns) : Math.ceil(beds / columns) };
}

export const STRIPS = 5; // on a wall display at most so many beds have a strip
const PER_ROW = 6; // tiles, or a few more where there are very many
// In sizes of the letters: a tile with two lines of what is seen, a strip with three and its paper, the width of a tile.
const TILE_HEIGHT = 4.95;
const STRIP_HEIGHT = 8.8;
const TILE_WIDTH = 9.1; // a name of six letters beside a rate
const TWINS_WIDTH = 11.2; // beside two
const LARGEST = 0.045; // letter, of the height of all: beyond it they would only shout

/**
 * The beds of a wall display: those with a strip, the one that needs somebody first, and those that are tiles.
 * @template {Standing} Bed
 * @param {Bed[]} byNeed
 * @param {Options["order"]} order
 */
export function onWall(byNeed, order) {
  const strips = byNeed.filter(asksForSomebody).slice(0, STRIPS);
  return { strips, tiles: inOrder(byNeed.filter((bed) => !strips.includes(bed)), order).beds };
}

/**
 * Columns and heights of a wall display, and the size of its letters, as large as there is room for: all in pixels. The
 * strips stand in one row. What is left over is for them, and without any for the tiles.
 * @param {number} strips
 * @param {number} tiles
 * @param {number} width of what there is
 * @param {number} height
 * @param {number} gap
 * @param {boolean} hasTwins one of the tiles has two rates
 */
export function wallSize(strips, tiles, width, height, gap, hasTwins = false) {
  const stripRows = Math.min(strips, 1);
  const stripWidth = (width - gap * Math.max(0, strips - 1)) / Math.max(1, strips);
  const most = Math.max(PER_ROW, Math.ceil(Math.sqrt(tiles)));
  let best = { tileColumns: 1, tilePx: 0, stripPx: 0, letterPx: 0 };
  for (let tileColumns = 1; tileColumns <= most; tileColumns++) {
    const tileRows = Math.ceil(tiles / tileColumns);
    const room = height - gap * Math.max(0, stripRows + tileRows - 1);
    const tileWidth = Math.min(stripWidth, (width - gap * (tileColumns - 1)) / tileColumns);
    const letterPx = Math.min(room / (tileRows * TILE_HEIGHT + stripRows * STRIP_HEIGHT), tileWidth / (hasTwins ? TWINS_WIDTH : TILE_WIDTH), height * LARGEST);
    if (letterPx <= best.letterPx) continue;
    const tilePx = stripRows ? letterPx * TILE_HEIGHT : room / tileRows;
    best = { tileColumns, tilePx, stripPx: stripRows && room - tileRows * tilePx, letterPx };
  }
  return best;
}
