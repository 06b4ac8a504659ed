// Sends what a person does. The server hands it to the detector; whether that took it, the summary and the log say.

import { _, said } from "../shared/language.mjs";
import { userName } from "../shared/user.mjs";

/** @import { Command } from "../shared/types" */

export const ANSWER_WITHIN_MS = 10_000;

/**
 * `trouble` is empty when the server has taken it; `by` is empty when nobody has said who it is. `isUnsure`: no answer has
 * come, and it may have been taken. What is meant for one woman is not taken once another is in the bed.
 * @param {string} bed
 * @param {number} stay who is in it, as she was seen
 * @param {Command} command
 */
export async function send(bed, stay, command) {
  const by = userName();
  if (!by) return { by, trouble: _("Enter your name"), isUnsure: false };
  try {
    const body = JSON.stringify({ ...command, bed, by, stay });
    const response = await fetch("/act", { method: "POST", body, signal: AbortSignal.timeout(ANSWER_WITHIN_MS) });
    return { by, trouble: response.ok ? "" : await refusal(response), isUnsure: false };
  } catch {
    return { by, trouble: _("not confirmed, no answer from the server: see whether it stands here before you press again"), isUnsure: true };
  }
}

/** @param {Response} response */
async function refusal(response) {
  const why = await response.text();
  return response.status === 403 ? said(why) : _("rejected: {why}", { why: said(why) });
}
