// Who goes to the bed, and what its reader makes of a flag.

import { button, field, make, setText } from "../shared/elements.mjs";
import { _ } from "../shared/language.mjs";
import { goingWords } from "../shared/words.mjs";

/** @import { Card, Tell } from "../shared/types" */

export class Attend {
  /** @param {Tell} tell */
  constructor(tell) {
    /** @type {string | null} */
    this.flag = null;
    this.root = make("section", "attend");
    this.who = make("p", "who-goes");
    const going = button(_("I am going"), "plain", () => void tell({ type: "attend", going: true }));
    this.left = button(_("I have left"), "plain", () => void tell({ type: "attend", going: false }));
    const buttons = make("div", "buttons");
    buttons.append(going, this.left);
    this.form = make("form", "line");
    const { label, input } = field(_("note"), "input", { maxLength: 200, placeholder: _("what it is") });
    this.form.append(label, make("button", "plain", _("Answer with note")));
    this.form.addEventListener("submit", (event) => {
      event.preventDefault();
      void tell({ type: "acknowledge", flag: this.flag, note: input.value.trim() }).then((isTaken) => {
        if (isTaken) input.value = "";
      });
    });
    this.root.append(this.who, buttons, this.form);
  }

  /** @param {Card} card */
  show(card) {
    this.flag = card.flag;
    setText(this.who, goingWords(card));
    this.left.disabled = card.attending.length === 0;
    this.form.hidden = !card.flag || Boolean(card.acknowledged_by);
  }
}
