// When a bed's last contractions were, how far apart, how long, how much rest between. Pure.

import { isOver } from "../shared/strip.mjs";

/** @import { Card, StripMark, Span } from "../shared/types" */

/** @typedef {{ from: number, interval: number | null, length: number, rest: number | null, how: string }} Row seconds */

export const SHOWN = 10;

/**
 * The last contractions, newest first, recorded and by hand.
 * @param {StripMark[]} marks
 */
export function rowsOf(marks) {
  const rows = [...spaced(spans(marks, "contraction"), ""), ...spaced(spans(marks, "hand-contraction"), "by hand")];
  return rows.sort((a, b) => b.from - a.from).slice(0, SHOWN);
}

/**
 * Seconds since the last one began, recorded or by hand; null when none is known.
 * @param {Pick<Card, "t" | "age_s" | "contraction_from_s" | "hand">} card
 * @param {StripMark[]} marks
 * @param {number} lastSecond of the strip
 */
export function sinceLast(card, marks, lastSecond) {
  const now = card.t ? card.t / 1000 + 1 + (card.age_s ?? 0) : lastSecond + 1; // goes on while nothing comes
  const began = [card.contraction_from_s, card.hand?.running_from_s, spans(marks, "hand-contraction")[0]?.from];
  const known = began.filter((second) => second !== null && second !== undefined);
  return known.length ? now - Math.max(...known) : null;
}

/**
 * @param {StripMark[]} marks
 * @param {string} kind
 * @returns {Span[]} newest first
 */
function spans(marks, kind) {
  return marks.filter(isOver).filter((mark) => mark.kind === kind).sort((a, b) => b.from - a.from);
}

/**
 * Each with what lies between it and the one before.
 * @param {Span[]} newestFirst
 * @param {string} how
 * @returns {Row[]}
 */
function spaced(newestFirst, how) {
  return newestFirst.map((one, i) => {
    const before = newestFirst[i + 1];
    return { from: one.from, interval: before ? one.from - before.from : null, length: one.to - one.from, rest: before ? Math.max(0, one.from - before.to) : null, how };
  });
}
