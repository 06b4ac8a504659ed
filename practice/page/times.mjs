// Times on a strip as minutes and seconds, and the share of it that a drag covers. Pure.

export const LEAST_S = 5; // a shorter drag was a click

/** @param {number} second */
export function minuteOf(second) {
  return `${Math.floor(second / 60)}:${String(Math.floor(second % 60)).padStart(2, "0")}`;
}

/**
 * The second of a time written as minutes:seconds; null when it is none.
 * @param {string} text
 */
export function secondOf(text) {
  const match = /^(\d{1,2}):([0-5]\d)$/.exec(text);
  return match ? Number(match[1]) * 60 + Number(match[2]) : null;
}

/**
 * From when to when a drag marks, whichever way it went; null when it was only a click.
 * @param {{ from: number, to: number }} drag
 * @returns {[from: number, until: number] | null}
 */
export function marked({ from, to }) {
  const [first, last] = from <= to ? [from, to] : [to, from];
  return last - first >= LEAST_S ? [first, last] : null;
}
