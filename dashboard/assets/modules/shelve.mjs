// Sets what a flag stands for aside for a time, and takes that back.

import { button, field, fold, ifChanged, make, minutesField, NO_POLICY, plain, say, timeOf } from "./elements.mjs";

const FIRST_MIN = 15;

export class ShelveForm {
  constructor(tell) {
    this.tell = tell;
    this.flag = null;
    const { root, inside, hint, note } = fold("Shelve …", () => this.shelve());
    Object.assign(this, { root, inside, hint, note });
    this.minutes = minutesField(FIRST_MIN);
    this.why = field("because", "input", { maxLength: 200, required: true, placeholder: "reason, in a few words" });
    inside.append(this.minutes.label, this.why.label, make("button", "plain", "Shelve"));
  }

  async shelve() {
    const act = { type: "shelve", flag: this.flag, for_s: Math.round(this.minutes.input.value * 60), why: this.why.input.value.trim() };
    if (await this.tell(act)) this.why.input.value = "";
  }

  show(card, policy) {
    this.flag = card.flag;
    const hindrance = whyNot(card, policy);
    this.inside.disabled = Boolean(hindrance);
    if (policy) this.minutes.input.max = Math.floor(policy.longest_shelve_s / 60);
    say(this.hint, hindrance || `At most ${this.minutes.input.max} min. It comes back by itself.`);
    ifChanged(this.note, card.shelved, () => {
      const list = make("ul", "held");
      for (const one of card.shelved) {
        const holds = one.active ? " (holds now)" : "";
        list.append(make("li", "", `${plain(one.condition)}${holds}, until ${timeOf(one.until)}, by ${one.by}: ${one.why}`));
      }
      const back = button("Unshelve", "plain", () => this.tell({ type: "unshelve" }));
      this.note.replaceChildren(...(card.shelved.length ? [list, back] : []));
    });
  }
}

function whyNot(card, policy) {
  if (card.level === "team") return "What asks for the team cannot be shelved.";
  if (!card.flag) return "There is no flag that could be shelved.";
  if (!policy) return NO_POLICY;
  return "";
}
