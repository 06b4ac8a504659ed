// What the kinds of a log's lines are called.

import { _, N_ } from "./language.mjs";
import { plain } from "./words.mjs";

/** @type {Record<string, string>} */
const WORDS = {
  "flag-raised": N_("raised"),
  "flag-worsened": N_("worse"),
  "flag-escalated": N_("escalated"),
  "flag-lowered": N_("downgraded"),
  "flag-eased": N_("resolved"),
  "flag-acknowledged": N_("answered"),
  "flag-shelved": N_("shelved"),
  "flag-renewed": N_("new finding"),
  "flag-repeated": N_("still present"),
  "flag-returned": N_("no improvement"),
  "flag-unresolved": N_("not acted on"),
  "shelf-over": N_("no longer shelved"),
  "held-back": N_("suppressed"),
  "noted-over": N_("quiet again"),
  attending: N_("on the way"),
  "attending-over": N_("has left"),
  care: N_("done"),
  "care-result": N_("result"),
  pause: N_("monitor off"),
  "pause-over": N_("monitor on"),
  "hand-contraction": N_("by hand"),
  "hand-undone": N_("undone"),
  "own-limit": N_("bed limit"),
  "own-limit-over": N_("ward limit"),
  arrived: N_("arrived"),
  left: N_("left"),
  empty: N_("empty"),
  "stay-undone": N_("undone"),
  moved: N_("moved"),
  "came-from": N_("moved here"),
  corrected: N_("corrected"),
  "not-taken": N_("rejected"),
  "baseline-change": N_("baseline"),
  "signal-mark": N_("signal"),
};

/** @param {string} kind */
export function word(kind) {
  return _(WORDS[kind] ?? plain(kind));
}
