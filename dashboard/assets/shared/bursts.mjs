// When something sounds. Pulses, their lengths, gaps and repeats lie within IEC 60601-1-8:2006 + A1 + A2, tables 3 and 4
// (high, medium, low for team, bedside, look), as public descriptions of them give it. Pure.

import { unanswered } from "./unanswered.mjs";

/** @import { Card } from "./types" */

/** @typedef {{ pulseMs: number, spacingMs: number, pulses: number[], groupMs: number[], everyMs: number }} Burst */
/** @typedef {"team" | "bedside" | "look"} SoundLevel */

/** @type {Record<SoundLevel, Burst>} groupMs: from the end of one group of pulses to the start of the next */
export const BURSTS = {
  team: { pulseMs: 150, spacingMs: 100, pulses: [3, 2, 3, 2], groupMs: [350, 700, 350], everyMs: 8000 },
  bedside: { pulseMs: 200, spacingMs: 200, pulses: [3], groupMs: [], everyMs: 15000 },
  look: { pulseMs: 200, spacingMs: 200, pulses: [2], groupMs: [], everyMs: 60000 },
};
const LOUDEST_FIRST = /** @type {const} */ (["team", "bedside", "look"]);

/**
 * Start times of the pulses of one burst, in ms.
 * @param {Burst} burst
 */
export function pulseStarts({ pulseMs, spacingMs, pulses, groupMs }) {
  /** @type {number[]} */
  const found = [];
  let at = 0;
  pulses.forEach((count, group) => {
    for (let i = 0; i < count; i++, at += pulseMs + spacingMs) found.push(at);
    at += (groupMs[group] ?? 0) - spacingMs;
  });
  return found;
}

/**
 * The highest level of a flag that nobody has answered, whatever else the bed's state says of its signal; else that of
 * a bed nobody watches, which is one to look at; null where there is neither.
 * @param {Pick<Card, "acknowledged_by" | "flag" | "level" | "state" | "twins">[]} cards
 * @returns {SoundLevel | null}
 */
export function levelToSound(cards) {
  const open = cards.flatMap(unanswered);
  const isUnwatched = cards.some((card) => card.state === "unwatched");
  return LOUDEST_FIRST.find((level) => open.includes(level) || (level === "look" && isUnwatched)) ?? null;
}

/** Says when the next burst is due: at once where a level is higher than before, else after that level's pause. */
export class Schedule {
  constructor() {
    /** @type {SoundLevel | null} */
    this.level = null;
    this.soundedAt = -Infinity;
  }

  /** @param {SoundLevel | null} level */
  hear(level) {
    const isLouder = level && (!this.level || LOUDEST_FIRST.indexOf(level) < LOUDEST_FIRST.indexOf(this.level));
    if (isLouder) this.soundedAt = -Infinity;
    this.level = level;
  }

  /** Nothing has been heard yet of what is asked for. */
  restart() {
    this.soundedAt = -Infinity;
  }

  /**
   * The burst that is due now, which then counts as heard; null where there is none.
   * @param {number} nowMs
   */
  take(nowMs) {
    if (!this.level || nowMs - this.soundedAt < BURSTS[this.level].everyMs) return null;
    this.soundedAt = nowMs;
    return BURSTS[this.level];
  }
}
