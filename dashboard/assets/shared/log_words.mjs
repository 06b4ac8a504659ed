// What the kinds of a log's lines are called.

import { plain } from "./words.mjs";

/** @type {Record<string, string>} */
const WORDS = {
  "flag-raised": "raised",
  "flag-worsened": "worse",
  "flag-escalated": "escalated",
  "flag-lowered": "downgraded",
  "flag-eased": "resolved",
  "flag-acknowledged": "answered",
  "flag-shelved": "shelved",
  "flag-renewed": "new finding",
  "flag-repeated": "still present",
  "flag-returned": "no improvement",
  "flag-unresolved": "not acted on",
  "shelf-over": "no longer shelved",
  "held-back": "suppressed",
  "noted-over": "quiet again",
  attending: "on the way",
  "attending-over": "has left",
  care: "done",
  "care-result": "result",
  pause: "monitor off",
  "pause-over": "monitor on",
  "hand-contraction": "by hand",
  "hand-undone": "undone",
  "own-limit": "bed limit",
  "own-limit-over": "ward limit",
  arrived: "arrived",
  left: "left",
  empty: "empty",
  "stay-undone": "undone",
  moved: "moved",
  "came-from": "moved here",
  corrected: "corrected",
  "not-taken": "rejected",
  "baseline-change": "baseline",
  "signal-mark": "signal",
};

/** @param {string} kind */
export function word(kind) {
  return WORDS[kind] ?? plain(kind);
}
