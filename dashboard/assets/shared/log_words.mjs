// What the kinds of a log's lines are called.

import { plain } from "./words.mjs";

/** @type {Record<string, string>} */
const WORDS = {
  "flag-raised": "raised",
  "flag-worsened": "worse",
  "flag-escalated": "nobody came",
  "flag-lowered": "lower",
  "flag-eased": "eased",
  "flag-acknowledged": "answered",
  "flag-shelved": "shelved",
  "flag-renewed": "something new",
  "flag-repeated": "still so",
  "flag-returned": "did not help",
  "flag-unresolved": "nothing done",
  "shelf-over": "shelf is over",
  "held-back": "kept quiet",
  "noted-over": "quiet again",
  care: "done",
  "care-result": "result",
  pause: "monitor off",
  "pause-over": "monitor on",
  "hand-contraction": "by hand",
  "hand-undone": "taken back",
  "own-limit": "own limit",
  "own-limit-over": "policy's limit",
  "not-taken": "not taken",
  "baseline-change": "baseline",
  "signal-mark": "signal",
};

/** @param {string} kind */
export function word(kind) {
  return WORDS[kind] ?? plain(kind);
}
