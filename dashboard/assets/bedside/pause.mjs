// The monitor is off on purpose for a time, and on again.

import { button, disclosure, field, make, minutesField, setText } from "../shared/elements.mjs";
import { NO_POLICY, timeOf } from "../shared/words.mjs";
import { longestMinutes, secondsOf } from "./times.mjs";

/** @import { Card, PolicyInfo, Tell } from "../shared/types" */

const FIRST_MIN = 10;
const REASONS = ["bathroom", "walk", "other"];

export class PauseForm {
  /** @param {Tell} tell */
  constructor(tell) {
    const { root, inside, hint, note } = disclosure("Monitor off …", () => {
      void tell({ type: "pause", for_s: secondsOf(this.minutes.input.value), why: this.why.input.value });
    });
    this.root = root;
    this.inside = inside;
    this.hint = hint;
    this.note = note;
    this.minutes = minutesField(FIRST_MIN);
    this.why = field("because", "select");
    for (const reason of REASONS) this.why.input.append(new Option(reason, reason));
    inside.append(this.minutes.label, this.why.label, make("button", "plain", "Monitor off"));
    this.off = make("p", "held");
    note.append(this.off, button("Monitor back on", "plain", () => void tell({ type: "pause", for_s: 0 })));
  }

  /**
   * @param {Card} card
   * @param {PolicyInfo | null} policy
   */
  show(card, policy) {
    const off = card.paused;
    this.note.hidden = !off;
    if (off) setText(this.off, `Monitor off until ${timeOf(off.until)}, by ${off.by}${off.why ? `: ${off.why}` : ""}`);
    this.inside.disabled = !policy;
    if (policy) this.minutes.input.max = String(longestMinutes(policy.longest_pause_s));
    setText(this.hint, policy ? `At most ${this.minutes.input.max} min.` : NO_POLICY);
  }
}
