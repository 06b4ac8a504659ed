// What a screen reader says of the ward: one sentence on one bed, not one for every number. Pure.

import { _, N_ } from "../shared/language.mjs";
import { fullReason, headline, line } from "../shared/words.mjs";

/** @import { Card } from "../shared/types" */

/** @typedef {Pick<Card, "bed" | "state" | "headline" | "until" | "reason" | "full_reason" | "running" | "flag" | "acknowledged_by" | "undoable" | "moving_to">} Spoken */

/** @type {Record<string, string>} */
const CALM = { quiet: N_("All beds quiet"), noted: N_("No bed calls for anybody"), empty: N_("Nobody is in any bed") };

/**
 * The sentence, and what it is known by: it is said anew only when that changes, which is its state, why in one fact, and
 * whether its signal is lost; not how much there is room for, nor a number. It is about the first bed that nobody has
 * answered or watches, else about the first that is not calm; only where there is none are all of them.
 * @param {Spoken[]} byNeed the one that needs somebody first
 */
export function sentenceOf(byNeed) {
  const card = byNeed.find((one) => (one.flag && !one.acknowledged_by) || one.state === "unwatched") ?? byNeed.find((one) => !isCalm(one)) ?? byNeed[0];
  if (!card) return { text: "", key: "" };
  const calm = isCalm(card) ? CALM[card.state] : undefined;
  if (calm) return { text: _(calm), key: calm };
  const start = `${card.bed}: ${headline(card)}. `;
  const [why = "", now = ""] = fullReason(card).split("; now ");
  return { text: start + line(card).join(" · "), key: start + `${why.split(" · ")[0]}; ${now}`.replace(/\d+(\.\d+)?/g, "") };
}

/** @param {Spoken} card */
function isCalm(card) {
  return card.state in CALM && (card.headline === card.state || card.state === "empty"); // not catching up
}
