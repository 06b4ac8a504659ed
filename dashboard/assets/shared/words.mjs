// Times, durations and a bed's state in words. Pure: nothing here touches the page.

/** @import { Card } from "./types" */

/** @type {Intl.DateTimeFormatOptions} */
const TO_THE_MINUTE = { hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
export const NO_POLICY = "Not possible yet: no detector has said what its policy allows.";

const SHORT_S = 90; // durations below are told in seconds
const FRESH_S = 10; // ages below are told in tenths

/**
 * Time of day to the minute of ms since the epoch.
 * @param {number} ms
 */
export function timeOf(ms) {
  return new Date(ms).toLocaleTimeString([], TO_THE_MINUTE);
}

/**
 * Time of day to the second of ms since the epoch.
 * @param {number} ms
 */
export function timeOfDay(ms) {
  return new Date(ms).toLocaleTimeString([], { hourCycle: "h23" });
}

/**
 * That a demo's time is not real time; empty where it is.
 * @param {number} speed seconds of signal per second
 */
export function speedWords(speed) {
  if (speed === 1) return "";
  return `Simulated time, ${speed > 1 ? `${speed} times as fast as` : `at ${speed} of`} real time.`;
}

/** @param {number} seconds */
export function duration(seconds) {
  if (seconds < SHORT_S) return `${Math.round(seconds)} s`;
  return `${Math.round(seconds / 60)} min`;
}

/**
 * Minutes and seconds; nothing is below 0 s.
 * @param {number} seconds
 */
export function minutesAndSeconds(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  return whole < 60 ? `${whole} s` : `${Math.floor(whole / 60)} min ${String(whole % 60).padStart(2, "0")} s`;
}

/**
 * "low-baseline" and "baseline_bpm" as words.
 * @param {string} name
 */
export function plain(name) {
  return name.replace(/[-_]/g, " ");
}

/**
 * What the style sheet knows a bed's state by.
 * @param {Pick<Card, "state" | "hides" | "acknowledged_by">} card
 */
export function stateClasses(card) {
  return [`state-${card.state}`, card.hides && `hides-${card.hides}`, card.acknowledged_by && "answered"].filter(Boolean).join(" ");
}

/** @param {Pick<Card, "headline" | "until">} card */
export function headline(card) {
  return card.until === null ? card.headline : `${card.headline} ${timeOf(card.until)}`;
}

/**
 * What a bed says of itself; one that somebody has just left says that it can be undone.
 * @param {Pick<Card, "state" | "reason" | "running" | "flag" | "undoable">} card
 */
export function reasonWords({ state, reason, running, flag, undoable }) {
  if (state === "empty" && undoable) return [reason, `Leaving noted by ${undoable.by}; can be undone until ${timeOf(undoable.until)}`].filter(Boolean).join(" · ");
  return running && !flag ? `Deceleration now, ${running}` : reason;
}

/**
 * Who has answered, or for how long nobody has.
 * @param {Pick<Card, "paused" | "state" | "acknowledged_by" | "waiting_s" | "flag">} card
 */
export function waiting(card) {
  const off = card.paused && card.state !== "paused" ? `monitor off until ${timeOf(card.paused.until)}` : "";
  if (card.acknowledged_by) return [`answered by ${card.acknowledged_by}`, off].filter(Boolean).join(" · ");
  const alone = card.waiting_s !== null && card.flag ? `unanswered for ${duration(card.waiting_s)}` : "";
  return [alone, off].filter(Boolean).join(" · ");
}

/**
 * Signal, age of the data, clock; what may be cut off where there is little room stands last.
 * @param {Pick<Card, "state" | "age_s" | "signal" | "signal_reason" | "far_clock">} card
 * @param {string} clock
 */
export function signalWords(card, clock = card.far_clock) {
  if (card.state === "empty") return "";
  const age = card.age_s === null ? "" : `data ${card.age_s < FRESH_S ? card.age_s.toFixed(1) : Math.round(card.age_s)} s old`;
  return [`signal ${card.signal}`, age, clock, card.signal_reason].filter(Boolean).join(" · ");
}
