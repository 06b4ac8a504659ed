// The last hour of a bed as rings by second; the server's side is dashboard/view/signal_buffer.py.

/** @import { StripMark, TrendPoint } from "./types" */

export const KEPT_S = 3600; // at 1 cm a minute 2268 px
export const HZ = 4;
export const NONE = -1; // no value; others are FHR in quarters of a bpm, UA in halves

export class Strip {
  constructor() {
    this.fhr = new Int16Array(KEPT_S * HZ).fill(NONE);
    this.ua = new Int16Array(KEPT_S * HZ).fill(NONE);
    /** @type {Int16Array | null} */
    this.fhr2 = null; // of a second twin
    this.first = -1; // seconds by the bed's clock; -1: there is none yet
    this.last = -1;
    this.rewritten = 0; // how often something of what was held has been replaced
    /** @type {StripMark[]} */
    this.marks = []; // as they come: the newest first
    /** @type {StripMark[]} */
    this.drawn = []; // the same, by their beginnings
    /** @type {TrendPoint[]} */
    this.trend = [];
    /** @type {TrendPoint[]} */
    this.trend2 = []; // of a second twin
  }

  /** @param {StripMark[]} marks all that are on it */
  mark(marks) {
    this.marks = marks;
    this.drawn = [...marks].sort((a, b) => a.from - b.from); // once, not in every frame
  }

  /**
   * Takes `seconds` seconds from `first` on; returns the offset behind what it has read.
   * @param {DataView} view
   * @param {number} offset
   * @param {number} first
   * @param {number} seconds
   * @param {boolean} whole everything that is held comes, nothing of what was here stays
   * @param {boolean} [hasSecond] the rate of a second twin stands behind the others
   */
  read(view, offset, first, seconds, whole, hasSecond = false) {
    if (hasSecond) this.fhr2 ??= new Int16Array(KEPT_S * HZ).fill(NONE);
    const rings = this.fhr2 ? [this.fhr, this.ua, this.fhr2] : [this.fhr, this.ua];
    if (whole || first <= this.last) this.rewritten += 1;
    if (whole || this.last < 0 || first > this.last + KEPT_S || first < this.first) {
      for (const ring of rings) ring.fill(NONE);
      this.first = first;
      this.last = -1;
    } else {
      for (let s = Math.max(this.last + 1, first - KEPT_S); s < first; s++) {
        for (const ring of rings) ring.fill(NONE, (s % KEPT_S) * HZ, (s % KEPT_S) * HZ + HZ);
      }
    }
    for (const ring of rings.slice(0, hasSecond ? 3 : 2)) {
      for (let s = 0; s < seconds; s++) {
        const at = ((first + s) % KEPT_S) * HZ;
        for (let k = 0; k < HZ; k++, offset += 2) ring[at + k] = view.getInt16(offset, true);
      }
    }
    if (seconds > 0) this.last = first + seconds - 1;
    this.first = Math.max(this.first, this.last - KEPT_S + 1);
    return offset;
  }
}

/**
 * Whether a mark has an end.
 * @param {StripMark} mark
 * @returns {mark is import("./types").Span}
 */
export function isOver(mark) {
  return mark.to !== null;
}
