// Times, durations and a bed's state in words. Pure: nothing here touches the page.

import { _, language, N_, said } from "./language.mjs";

/** @import { Card } from "./types" */

const toTheMinute = timeFormat({ hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
const toTheSecond = timeFormat({ hour: "numeric", minute: "numeric", second: "numeric", hourCycle: "h23" });
export const NO_POLICY = N_("Not possible yet: no detector has said what its policy allows.");

const BETWEEN = " · "; // the parts of a bed's line
const LONGEST = 90; // characters of it with what is added here; the same in view/wording.py
const SHORT_S = 90; // durations below are told in seconds
const FRESH_S = 5; // younger data need no word

/**
 * Time of day to the minute of ms since the epoch.
 * @param {number} ms
 */
export function timeOf(ms) {
  return toTheMinute(ms);
}

/**
 * Time of day to the second of ms since the epoch.
 * @param {number} ms
 */
export function timeOfDay(ms) {
  return toTheSecond(ms);
}

/**
 * What tells a time of day in the reader's language. A format is made once: to make it costs as much as to use it often.
 * @param {Intl.DateTimeFormatOptions} precision
 * @returns {(ms: number) => string}
 */
function timeFormat(precision) {
  /** @type {Map<string, Intl.DateTimeFormat>} */
  const formats = new Map();
  return (ms) => {
    const { name } = language();
    const format = formats.get(name) ?? new Intl.DateTimeFormat(name, precision);
    formats.set(name, format);
    return format.format(ms);
  };
}

/**
 * That a demo's time is not real time; empty where it is.
 * @param {number} speed seconds of signal per second
 */
export function speedWords(speed) {
  if (speed === 1) return "";
  return speed > 1
    ? _("Simulated time, {speed} times as fast as real time.", { speed })
    : _("Simulated time, at {speed} of real time.", { speed });
}

/** @param {number} seconds */
export function duration(seconds) {
  if (seconds < SHORT_S) return _("{n} s", { n: Math.round(seconds) });
  return _("{n} min", { n: Math.round(seconds / 60) });
}

/**
 * Minutes and seconds; nothing is below 0 s.
 * @param {number} seconds
 */
export function minutesAndSeconds(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  return whole < 60 ? _("{n} s", { n: whole }) : _("{minutes} min {seconds} s", { minutes: Math.floor(whole / 60), seconds: String(whole % 60).padStart(2, "0") });
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
  return card.until === null ? said(card.headline) : `${said(card.headline)} ${timeOf(card.until)}`;
}

/**
 * What a bed has to say with all that a row has no room for.
 * @param {Pick<Card, "reason" | "full_reason">} card
 */
export function fullReason(card) {
  return card.full_reason || card.reason;
}

/**
 * All that a bed has to say where there is room for it, as on its own page: first what goes on, unless it calls for it.
 * @param {Pick<Card, "state" | "reason" | "full_reason" | "running" | "flag" | "headline" | "moving_to">} card
 */
export function wholeLine(card) {
  const reason = said(fullReason(card));
  if (!tellsFall(card)) return reason;
  const now = _("Deceleration now, {what}", { what: said(card.running) });
  return (isUsual(card) ? [now, reason] : [reason, now]).filter(Boolean).join(BETWEEN);
}

/**
 * The parts of a bed's line, the most important first; one that somebody has just left says that it can be undone. A
 * deceleration that goes on stands for what is usual; what keeps a bed from being calm stays before it. Where there is no
 * room for all, details are left out.
 * @param {Pick<Card, "state" | "headline" | "reason" | "running" | "flag" | "undoable" | "moving_to">} card
 */
export function line(card) {
  if (card.state === "empty" && card.undoable) {
    const { by, until: ms } = card.undoable;
    const until = timeOf(ms);
    const undo = [_("Leaving noted by {by}; can be undone until {until}", { by, until }), _("can be undone until {until}", { until })];
    const reason = said(card.reason);
    return [reason, firstThatFits(undo, reason)].filter(Boolean);
  }
  const parts = card.reason.split(BETWEEN).map(said).filter(Boolean);
  if (!tellsFall(card)) return parts;
  const [first = "", ...others] = isUsual(card) ? ["", ...parts] : parts;
  const lasting = card.running.split("; ").map((one) => one.split(", ")[0]).join("; "); // of twins each
  const now = firstThatFits([card.running, lasting].map((what) => _("Deceleration now, {what}", { what: said(what) })), first);
  if (card.state === "quiet") return [now];
  const more = thatFit(others, first ? first.length + BETWEEN.length + now.length : now.length);
  return isUsual(card) ? [now, ...more] : [first, ...more, now].filter(Boolean);
}

/**
 * Whether a bed's line tells a deceleration that goes on: one that it calls for is in its reason.
 * @param {Pick<Card, "state" | "running" | "flag">} card
 */
function tellsFall(card) {
  return card.running !== "" && !card.flag && card.state !== "unwatched";
}

/**
 * Whether what a bed says is of its trace alone: it is quiet, or noted and neither catching up nor is she moved.
 * @param {Pick<Card, "state" | "headline" | "moving_to">} card
 */
function isUsual(card) {
  return card.state === "quiet" || (card.state === "noted" && card.headline === card.state && !card.moving_to);
}

/**
 * The first of some texts for which there is room beside another, else the last.
 * @param {string[]} texts
 * @param {string} beside
 */
function firstThatFits(texts, beside) {
  const room = LONGEST - (beside ? beside.length + BETWEEN.length : 0);
  return texts.find((text) => text.length <= room) ?? texts.at(-1) ?? "";
}

/**
 * Of some facts each for which there is still room.
 * @param {string[]} facts
 * @param {number} taken characters
 */
function thatFit(facts, taken) {
  return facts.filter((fact) => {
    const isFitting = taken + BETWEEN.length + fact.length <= LONGEST;
    if (isFitting) taken += BETWEEN.length + fact.length;
    return isFitting;
  });
}

/**
 * Who is going there, who has answered, or for how long nobody has.
 * @param {Pick<Card, "paused" | "state" | "acknowledged_by" | "waiting_s" | "flag" | "attending">} card
 */
export function waiting(card, isShort = false) {
  const off = card.paused && card.state !== "paused" ? _("monitor off until {until}", { until: timeOf(card.paused.until) }) : "";
  const isThere = card.attending.some((one) => one.by === card.acknowledged_by);
  const by = card.acknowledged_by && !isThere ? card.acknowledged_by : "";
  const answered = by && (isShort ? `✓ ${by}` : _("answered by {by}", { by }));
  const alone = card.waiting_s !== null && card.flag && !card.acknowledged_by ? _(isShort ? N_("{time} unanswered") : N_("unanswered for {time}"), { time: duration(card.waiting_s) }) : "";
  return [goingWords(card), answered, alone, off].filter(Boolean).join(" · ");
}

/**
 * The same as short as can be: who is going there, who else has answered, or for how long nobody has.
 * @param {Pick<Card, "acknowledged_by" | "waiting_s" | "flag" | "attending">} card
 */
export function answerInShort({ acknowledged_by: by, waiting_s: waits, flag, attending }) {
  const [going] = attending;
  const isThere = attending.some((one) => one.by === by);
  const alone = flag && !by && waits !== null ? duration(waits) : "";
  return [going && `→ ${going.by}`, by && !isThere && `✓ ${by}`, alone].filter(Boolean).join(" · ");
}

/**
 * From which bed she was moved; empty where she was not.
 * @param {Pick<Card, "came_from">} card
 */
export function cameFrom({ came_from: bed }) {
  return bed ? _("moved from {bed}", { bed }) : "";
}

/**
 * Who has said that she goes to the bed; empty where nobody has.
 * @param {Pick<Card, "attending">} card
 */
export function goingWords({ attending }) {
  if (!attending.length) return "";
  const by = attending.map((one) => one.by).join(", ");
  return attending.length > 1 ? _("{by} are going", { by }) : _("{by} is going", { by });
}

/**
 * Signal, its reason unless the bed's line says it already, age of the data where it is not fresh, clock. What may be
 * cut off where there is little room stands last.
 * @param {Pick<Card, "state" | "age_s" | "signal" | "signal_reason" | "far_clock" | "reason">} card
 * @param {string} clock
 */
export function signalWords(card, clock = card.far_clock) {
  if (card.state === "empty") return "";
  const age = card.age_s === null || card.age_s < FRESH_S ? "" : _("data {n} s old", { n: Math.round(card.age_s) });
  const reason = isSaid(card.reason, card.signal_reason) ? "" : said(card.signal_reason);
  return [said(`signal ${card.signal}`), reason, age, said(clock)].filter(Boolean).join(" · ");
}

/**
 * Whether a text is part of a line, as the beginning of a sentence or within one.
 * @param {string} all
 * @param {string} text
 */
function isSaid(all, text) {
  return all.toLowerCase().includes(text.toLowerCase());
}
