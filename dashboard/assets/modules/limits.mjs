// Another limit of a condition for this bed alone, for a time.

import { button, field, fold, ifChanged, make, minutesField, NO_POLICY, plain, say, timeOf } from "./elements.mjs";

const FIRST_MIN = 120;

export class LimitsForm {
  constructor(tell) {
    this.tell = tell;
    const { root, inside, hint, note } = fold("This bed's limits …", () => this.set());
    Object.assign(this, { root, inside, hint, note });
    this.condition = field("condition", "select", {});
    this.limit = field("limit", "input", { type: "number", step: "any", required: true });
    this.minutes = minutesField(FIRST_MIN);
    this.why = field("because", "input", { maxLength: 200, required: true, placeholder: "reason, in a few words" });
    this.condition.input.addEventListener("change", () => this.bound());
    inside.append(this.condition.label, this.limit.label, this.minutes.label, this.why.label, make("button", "plain", "Set"));
  }

  async set() {
    const act = {
      type: "own-limit",
      condition: this.condition.input.value,
      limit: Number(this.limit.input.value),
      for_s: Math.round(this.minutes.input.value * 60),
      why: this.why.input.value.trim(),
    };
    if (await this.tell(act)) this.why.input.value = "";
  }

  show(card, policy) {
    this.policy = policy;
    this.inside.disabled = !policy?.limits.length;
    ifChanged(this.condition.label, policy?.limits, () => {
      const chosen = this.condition.input.value;
      this.condition.input.replaceChildren(...(policy?.limits ?? []).map((one) => new Option(`${plain(one.condition)} (${plain(one.measure)})`, one.condition)));
      if ([...this.condition.input.options].some((one) => one.value === chosen)) this.condition.input.value = chosen;
      this.bound();
    });
    ifChanged(this.note, card.limited, () => {
      this.note.replaceChildren(...card.limited.map((one) => this.inForce(one)));
    });
  }

  inForce(one) {
    const line = make("p", "held", `${plain(one.condition)}: ${one.limit} until ${timeOf(one.until)}, by ${one.by}: ${one.why} `);
    const back = { type: "own-limit", condition: one.condition, limit: null, for_s: 0, why: "taken back" };
    const undo = button("Policy's limit again", "plain", () => this.tell(back));
    undo.setAttribute("aria-label", `Policy's limit again for ${plain(one.condition)}`);
    line.append(undo);
    return line;
  }

  // Says what the chosen condition's limit may be.
  bound() {
    const chosen = this.policy?.limits.find((one) => one.condition === this.condition.input.value);
    if (!chosen) {
      const missing = this.policy ? "This policy lets no bed have limits of its own." : NO_POLICY;
      return say(this.hint, missing);
    }
    Object.assign(this.limit.input, { min: chosen.lowest, max: chosen.highest, value: chosen.limit });
    this.minutes.input.max = Math.floor(this.policy.longest_limit_s / 60);
    this.minutes.input.value = Math.min(this.minutes.input.value, this.minutes.input.max);
    say(this.hint, `The policy's limit is ${chosen.limit}; here it may be ${chosen.lowest} to ${chosen.highest}, for at most ${this.minutes.input.max} min.`);
  }
}
