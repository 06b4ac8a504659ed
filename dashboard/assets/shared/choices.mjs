// What can be chosen about a screen, and how a choice that was remembered is read back.

import { N_ } from "./language.mjs";

/** @import { Options } from "./types" */

/** @type {{ [Name in keyof Options]: { title: string, values: [value: Options[Name], words: string][] } }} */
export const CHOICES = {
  order: { title: N_("Beds"), values: [["need", N_("who needs somebody first")], ["place", N_("each in its own place")]] },
  minute: { title: N_("Paper speed"), values: [["1", N_("1 cm/min")], ["2", N_("2 cm/min")], ["3", N_("3 cm/min")]] },
  bpm: { title: N_("Height"), values: [["fit", N_("fits the screen")], ["20", N_("20 bpm/cm")], ["30", N_("30 bpm/cm")]] },
  light: { title: N_("Light"), values: [["auto", N_("match device")], ["day", N_("day")], ["night", N_("night")]] },
};

/** @type {Readonly<Options>} */
const USUAL = { order: "need", minute: "1", bpm: "fit", light: "auto" };

/**
 * The options in a remembered text; the usual one stands for whatever is missing or not known.
 * @param {string | null} text
 * @returns {Options}
 */
export function readOptions(text) {
  const found = { ...USUAL };
  /** @type {unknown} */
  let kept;
  try {
    kept = JSON.parse(text ?? "{}");
  } catch {
    return found; // somebody else has written there
  }
  if (typeof kept !== "object" || kept === null) return found;
  for (const [name, value] of Object.entries(kept)) take(found, name, value);
  return found;
}

/**
 * Sets an option if there is such a value of such an option.
 * @param {Options} options
 * @param {string} name
 * @param {unknown} value
 */
export function take(options, name, value) {
  if (!Object.hasOwn(CHOICES, name)) return;
  const known = CHOICES[/** @type {keyof Options} */ (name)].values;
  if (known.some(([one]) => one === value)) Object.assign(options, { [name]: value });
}
