// What an event is called in the reader's language.

import { _, N_ } from "/assets/shared/language.mjs";

/** Told so that every name is in the tables of words. */
export const NAMES = [
  N_("acceleration"),
  N_("deceleration"),
  N_("early deceleration"),
  N_("late deceleration"),
  N_("variable deceleration"),
  N_("prolonged deceleration"),
  N_("contraction"),
];

/** @param {{ what: string, kind: string }} one */
export function named({ what, kind }) {
  return _(kind ? `${kind} ${what}` : what);
}
