// The monitor is off on purpose for a time, and on again.

import { button, disclosure, field, make, minutesField, setText } from "../shared/elements.mjs";
import { _, N_, said } from "../shared/language.mjs";
import { NO_POLICY, timeOf } from "../shared/words.mjs";
import { longestMinutes, secondsOf } from "./times.mjs";

/** @import { Card, PolicyInfo, Tell } from "../shared/types" */

const FIRST_MIN = 10;
const REASONS = [N_("bathroom"), N_("walk"), N_("other")];

export class PauseForm {
  /** @param {Tell} tell */
  constructor(tell) {
    const { root, inside, hint, note } = disclosure(_("Monitor off …"), () => {
      void tell({ type: "pause", for_s: secondsOf(this.minutes.input.value), why: this.why.input.value });
    });
    this.root = root;
    this.inside = inside;
    this.hint = hint;
    this.note = note;
    this.minutes = minutesField(FIRST_MIN);
    this.why = field(_("because"), "select");
    for (const reason of REASONS) this.why.input.append(new Option(_(reason), reason));
    inside.append(this.minutes.label, this.why.label, make("button", "plain", _("Monitor off")));
    this.off = make("p", "held");
    note.append(this.off, button(_("Monitor back on"), "plain", () => void tell({ type: "pause", for_s: 0 })));
  }

  /**
   * @param {Card} card
   * @param {PolicyInfo | null} policy
   */
  show(card, policy) {
    const off = card.paused;
    this.note.hidden = !off;
    if (off) setText(this.off, [_("Monitor off until {until}, by {by}", { until: timeOf(off.until), by: off.by }), said(off.why)].filter(Boolean).join(": "));
    this.inside.disabled = !policy;
    if (policy) this.minutes.input.max = String(longestMinutes(policy.longest_pause_s));
    setText(this.hint, policy ? _("At most {n} min.", { n: this.minutes.input.max }) : _(NO_POLICY));
  }
}
