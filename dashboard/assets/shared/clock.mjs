// This screen's clock against the server's. Pure.

import { _ } from "./language.mjs";

const AGREE_MS = 2000;
const AT_ONCE = 3; // so many answers are asked for one after the other, then one every
const EVERY_MS = 30_000;
export const KEPT = 8;

export class ScreenClock {
  constructor() {
    /** @type {{ aheadMs: number, tookMs: number }[]} */
    this.newest = [];
    this.asked = 0;
    this.askedAt = -Infinity;
  }

  /**
   * Whether the server's time is to be asked for; then it counts as asked for.
   * @param {number} nowMs
   */
  isDue(nowMs) {
    if (this.asked >= AT_ONCE && nowMs - this.askedAt < EVERY_MS) return false;
    this.asked += 1;
    this.askedAt = nowMs;
    return true;
  }

  /**
   * Takes an answer. The server said it at some time between question and answer; in the middle, as far as is known.
   * @param {number} serverMs
   * @param {number} arrivedMs by this screen's clock
   * @param {number} tookMs from question to answer
   */
  take(serverMs, arrivedMs, tookMs) {
    this.newest = [...this.newest, { aheadMs: arrivedMs - tookMs / 2 - serverMs, tookMs }].slice(-KEPT);
  }

  /** By how much the clocks differ in words; empty unless it is certain that they do. */
  get words() {
    const [best] = [...this.newest].sort((a, b) => a.tookMs - b.tookMs);
    if (!best || Math.abs(best.aheadMs) - best.tookMs / 2 <= AGREE_MS) return "";
    const off = Math.abs(best.aheadMs / 1000).toFixed(0);
    return best.aheadMs > 0
      ? _("This screen's clock is {off} s ahead of the server's.", { off })
      : _("This screen's clock is {off} s behind the server's.", { off });
  }
}
