// What a press on the button for contractions means, and what the button shows until the detector has answered. Pure.

/** @import { Edge, ManualTimingLine } from "../shared/types" */

export const ANSWER_WITHIN_MS = 6000; // then the button shows again what the detector says
export const SHORTEST_MS = 5000; // as in detect/core/patterns/hand.py, which refuses an end so soon after the beginning

export class Tap {
  constructor() {
    /** @type {{ edge: Edge, at: number } | null} */
    this.pressed = null; // what has not come back in the summary yet
    /** @type {ManualTimingLine | null} */
    this.hand = null;
  }

  get isRunning() {
    return this.pressed ? this.pressed.edge === "start" : Boolean(this.hand?.is_running);
  }

  /** What the next press says. @returns {Edge} */
  get next() {
    return this.isRunning ? "end" : "start";
  }

  get canUndo() {
    return Boolean(this.hand ?? this.pressed);
  }

  /**
   * Whether a press would end a contraction that has only just begun: the second half of a double click.
   * @param {Edge} edge
   * @param {number} nowMs
   */
  isTooSoon(edge, nowMs) {
    return edge === "end" && this.seconds(nowMs) * 1000 < SHORTEST_MS;
  }

  /**
   * Takes a press, and returns what forgets it again when it could not be sent.
   * @param {Edge} edge
   * @param {number} nowMs
   */
  press(edge, nowMs) {
    const before = this.pressed;
    if (edge !== "undo") this.pressed = { edge, at: nowMs };
    return () => {
      this.pressed = before;
    };
  }

  /** The detector could not take what was pressed. */
  refuse() {
    this.pressed = null;
  }

  /**
   * Takes what the detector says; a press that it agrees with, or that is too old, is over.
   * @param {ManualTimingLine | null} hand
   * @param {number} nowMs
   */
  hear(hand, nowMs) {
    this.hand = hand;
    if (!this.pressed) return;
    const isThere = (this.pressed.edge === "start") === Boolean(hand?.is_running);
    if (isThere || nowMs - this.pressed.at > ANSWER_WITHIN_MS) this.pressed = null;
  }

  /**
   * Seconds since the contraction began that is shown.
   * @param {number} nowMs
   */
  seconds(nowMs) {
    return Math.max(0, this.pressed ? (nowMs - this.pressed.at) / 1000 : (this.hand?.since_onset_s ?? 0));
  }
}
