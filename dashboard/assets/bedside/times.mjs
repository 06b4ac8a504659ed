// How long something holds, and whether it may: what the forms at a bed reckon. Pure.

import { _ } from "../shared/language.mjs";
import { unanswered } from "../shared/unanswered.mjs";
import { NO_POLICY } from "../shared/words.mjs";

/** @import { Card, AdjustableLimit, PolicyInfo } from "../shared/types" */

/**
 * Seconds of minutes as they are written in a field.
 * @param {string} minutes
 */
export function secondsOf(minutes) {
  return Math.round(Number(minutes) * 60);
}

/**
 * Whole minutes that a policy allows at most.
 * @param {number} seconds
 */
export function longestMinutes(seconds) {
  return Math.floor(seconds / 60);
}

/**
 * For how many seconds a bed's flag may be shelved at most: who is needed at the bedside is set aside for minutes only.
 * @param {Pick<Card, "level">} card
 * @param {PolicyInfo} policy
 */
export function longestShelf(card, policy) {
  return card.level === "bedside" ? policy.longest_shelve_bedside_s : policy.longest_shelve_s;
}

/**
 * Why a bed's flag cannot be shelved; empty when it can.
 * @param {Pick<Card, "level" | "flag">} card
 * @param {PolicyInfo | null} policy
 */
export function whyNotShelved(card, policy) {
  if (card.level === "team") return _("What asks for the team cannot be shelved.");
  if (!card.flag) return _("There is no flag that could be shelved.");
  return policy ? "" : _(NO_POLICY);
}

/**
 * Why nothing may end a woman's time in a bed; empty when it may. The detector refuses it with the same sentence.
 * @param {Pick<Card, "level" | "flag" | "acknowledged_by" | "twins">} card
 */
export function whyNotEnded(card) {
  const isCalled = unanswered(card).some((level) => level === "bedside" || level === "team");
  return isCalled ? _("Somebody is asked for here and nobody has answered: acknowledge it first") : "";
}

/**
 * Why nobody of this role may set another limit at a bed; empty when she may, or when it is not known yet who she is.
 * @param {string} role
 * @param {PolicyInfo | null} policy
 */
export function whyNoLimits(role, policy) {
  if (!["", "in charge"].includes(role)) return _("Only the nurse in charge can change limits.");
  if (!policy) return _(NO_POLICY);
  return policy.limits.length ? "" : _("This policy has no limits that can be changed for one bed.");
}

/**
 * What the fields of another limit may hold, and what is said about it.
 * @param {AdjustableLimit} limit
 * @param {PolicyInfo} policy
 * @param {string} minutes as they are written now
 */
export function boundsOf(limit, policy, minutes) {
  const longest = longestMinutes(policy.longest_limit_s);
  return {
    longest,
    minutes: Math.min(Number(minutes), longest),
    hint: _("The ward's limit is {limit}. For this bed: {lowest} to {highest}, for at most {longest} min.", { limit: limit.limit, lowest: limit.lowest, highest: limit.highest, longest }),
  };
}
