// Sets what a flag stands for aside for a time, and takes that back.

import { button, disclosure, field, ifChanged, make, minutesField, setText } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";
import { plain, timeOf } from "../shared/words.mjs";
import { longestMinutes, longestShelf, secondsOf, whyNotShelved } from "./times.mjs";

/** @import { Card, PolicyInfo, Shelved, Tell } from "../shared/types" */

const FIRST_MIN = 15;

export class ShelveForm {
  /** @param {Tell} tell */
  constructor(tell) {
    this.tell = tell;
    /** @type {string | null} */
    this.flag = null;
    const { root, inside, hint, note } = disclosure(_("Shelve …"), () => void this.shelve());
    this.root = root;
    this.inside = inside;
    this.hint = hint;
    this.note = note;
    this.minutes = minutesField(FIRST_MIN);
    this.why = field(_("because"), "input", { maxLength: 200, required: true, placeholder: _("reason, in a few words") });
    inside.append(this.minutes.label, this.why.label, make("button", "plain", _("Shelve")));
  }

  async shelve() {
    const for_s = secondsOf(this.minutes.input.value);
    if (await this.tell({ type: "shelve", flag: this.flag, for_s, why: this.why.input.value.trim() })) this.why.input.value = "";
  }

  /**
   * @param {Card} card
   * @param {PolicyInfo | null} policy
   */
  show(card, policy) {
    this.flag = card.flag;
    const hindrance = whyNotShelved(card, policy);
    this.inside.disabled = hindrance !== "";
    if (policy) this.minutes.input.max = String(longestMinutes(longestShelf(card, policy)));
    setText(this.hint, hindrance || _("At most {n} min. It comes back by itself.", { n: this.minutes.input.max }));
    ifChanged(this.note, card.shelved, () => {
      const list = make("ul", "held");
      list.append(...card.shelved.map(line));
      const back = button(_("Unshelve"), "plain", () => void this.tell({ type: "unshelve" }));
      this.note.replaceChildren(...(card.shelved.length ? [list, back] : []));
    });
  }
}

/** @param {Shelved} one */
function line(one) {
  const holds = one.active ? _(" (holds now)") : "";
  return make("li", "", _("{condition}{holds}, until {until}, by {by}: {why}", { condition: said(plain(one.condition)), holds, until: timeOf(one.until), by: one.by, why: one.why }));
}
