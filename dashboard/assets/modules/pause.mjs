// The monitor is off on purpose for a time, and on again.

import { button, field, fold, make, minutesField, NO_POLICY, say, timeOf } from "./elements.mjs";

const FIRST_MIN = 10;
const REASONS = ["bathroom", "walk", "other"];

export class PauseForm {
  constructor(tell) {
    this.tell = tell;
    const { root, inside, hint, note } = fold("Monitor off …", () => this.pause());
    Object.assign(this, { root, inside, hint, note });
    this.minutes = minutesField(FIRST_MIN);
    this.why = field("because", "select", {});
    for (const reason of REASONS) this.why.input.append(new Option(reason, reason));
    inside.append(this.minutes.label, this.why.label, make("button", "plain", "Monitor off"));
    this.off = make("p", "held");
    this.on = button("On again", "plain", () => this.tell({ type: "pause", for_s: 0 }));
    note.append(this.off, this.on);
  }

  pause() {
    this.tell({ type: "pause", for_s: Math.round(this.minutes.input.value * 60), why: this.why.input.value });
  }

  show(card, policy) {
    const off = card.paused;
    this.note.hidden = !off;
    if (off) say(this.off, `off on purpose until ${timeOf(off.until)}, by ${off.by}${off.why ? `: ${off.why}` : ""}`);
    this.inside.disabled = !policy;
    if (policy) this.minutes.input.max = Math.floor(policy.longest_pause_s / 60);
    say(this.hint, policy ? `At most ${this.minutes.input.max} min.` : NO_POLICY);
  }
}
