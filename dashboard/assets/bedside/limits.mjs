// Another limit of a condition for this bed alone, for a time.

import { button, disclosure, field, ifChanged, make, minutesField, setText } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";
import { role } from "../shared/user.mjs";
import { plain, timeOf } from "../shared/words.mjs";
import { boundsOf, secondsOf, whyNoLimits } from "./times.mjs";

/** @import { Card, BedLimit, PolicyInfo, Tell } from "../shared/types" */

const FIRST_MIN = 120;

export class LimitsForm {
  /** @param {Tell} tell */
  constructor(tell) {
    this.tell = tell;
    /** @type {PolicyInfo | null} */
    this.policy = null;
    this.hindrance = ""; // why no limit can be set
    this.allowed = ""; // what the chosen one may be
    const { root, inside, hint, note } = disclosure(_("This bed's limits …"), () => void this.set());
    this.root = root;
    this.inside = inside;
    this.hint = hint;
    this.note = note;
    this.condition = field(_("condition"), "select");
    this.limit = field(_("limit"), "input", { type: "number", step: "any", required: true });
    this.minutes = minutesField(FIRST_MIN);
    this.why = field(_("because"), "input", { maxLength: 200, required: true, placeholder: _("reason, in a few words") });
    this.condition.input.addEventListener("change", () => this.bound());
    inside.append(this.condition.label, this.limit.label, this.minutes.label, this.why.label, make("button", "plain", _("Set")));
  }

  async set() {
    const isTaken = await this.tell({
      type: "own-limit",
      condition: this.condition.input.value,
      limit: Number(this.limit.input.value),
      for_s: secondsOf(this.minutes.input.value),
      why: this.why.input.value.trim(),
    });
    if (isTaken) this.why.input.value = "";
  }

  /**
   * @param {Card} card
   * @param {PolicyInfo | null} policy
   */
  show(card, policy) {
    this.policy = policy;
    const limits = policy?.limits ?? [];
    this.hindrance = whyNoLimits(role(), policy);
    this.inside.disabled = this.hindrance !== "";
    ifChanged(this.condition.label, policy?.limits, () => {
      const chosen = this.condition.input.value;
      this.condition.input.replaceChildren(...limits.map((one) => new Option(`${said(plain(one.condition))} (${said(plain(one.measure))})`, one.condition)));
      if (limits.some((one) => one.condition === chosen)) this.condition.input.value = chosen;
      this.bound();
    });
    setText(this.hint, this.hindrance || this.allowed);
    ifChanged(this.note, [card.limited, this.hindrance], () => {
      this.note.replaceChildren(...card.limited.map((one) => this.inForce(one)));
    });
  }

  /** @param {BedLimit} one */
  inForce(one) {
    const line = make("p", "held", _("{condition}: {limit} until {until}, by {by}: {why} ", { condition: said(plain(one.condition)), limit: one.limit, until: timeOf(one.until), by: one.by, why: one.why }));
    const undo = button(_("Back to ward limit"), "plain", () => {
      void this.tell({ type: "own-limit", condition: one.condition, limit: null, for_s: 0, why: "back to the ward limit" });
    });
    undo.setAttribute("aria-label", _("Back to ward limit for {condition}", { condition: said(plain(one.condition)) }));
    undo.disabled = this.hindrance !== "";
    line.append(undo);
    return line;
  }

  /** Says what the chosen condition's limit may be. */
  bound() {
    const chosen = this.policy?.limits.find((one) => one.condition === this.condition.input.value);
    if (!this.policy || !chosen) return;
    const { longest, minutes, hint } = boundsOf(chosen, this.policy, this.minutes.input.value);
    Object.assign(this.limit.input, { min: chosen.lowest, max: chosen.highest, value: chosen.limit });
    Object.assign(this.minutes.input, { max: longest, value: minutes });
    this.allowed = hint;
    if (!this.hindrance) setText(this.hint, hint);
  }
}
