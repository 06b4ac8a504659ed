// "What was done": one press notes it; what has no button is written.

import { button, field, make } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";

/** @import { Tell } from "../shared/types" */

export class CareForm {
  /**
   * @param {Record<string, string>} words what each kind is called
   * @param {Tell} tell
   */
  constructor(words, tell) {
    this.root = make("section", "care");
    const buttons = make("div", "buttons");
    for (const [what, text] of Object.entries(words)) {
      if (what !== "other") buttons.append(button(capital(said(text)), "plain", () => void tell({ type: "care", what })));
    }
    const form = make("form", "line");
    form.hidden = true;
    const { label, input } = field(_("other"), "input", { maxLength: 200, required: true, placeholder: _("what else was done") });
    const submit = make("button", "plain", _("Note it"));
    const other = button(_("Other …"), "plain", () => {
      form.hidden = !form.hidden;
      other.setAttribute("aria-expanded", String(!form.hidden));
      if (!form.hidden) input.focus();
    });
    other.setAttribute("aria-expanded", "false");
    buttons.append(other);
    form.append(label, submit);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      void tell({ type: "care", what: "other", text: input.value.trim() }).then((isTaken) => {
        if (isTaken) input.value = "";
      });
    });
    const hint = make("p", "hint", _("Records what was done. Follow local policy."));
    this.root.append(make("h2", "", _("What was done")), buttons, form, hint);
  }
}

/** @param {string} text */
function capital(text) {
  return text.charAt(0).toUpperCase() + text.slice(1);
}
