// The fields in which staff say of a woman what they should know: of a new one, or as it is corrected.

import { field, ifChanged, labelled, make } from "../shared/elements.mjs";
import { _, N_, said } from "../shared/language.mjs";
import { arrivalOf, writtenOf } from "./arrival.mjs";

/** @import { Arrival } from "../shared/types" */

const LABEL_HINT = N_("What the ward calls her: a room, a colour, a number. Never her name.");
let forms = 0;

export class ArrivalFields {
  constructor() {
    this.label = field(_("label"), "input", { maxLength: 40, required: true, autocomplete: "off" });
    const hint = make("p", "hint", _(LABEL_HINT));
    hint.id = `label-hint${forms ? `-${forms}` : ""}`;
    forms += 1;
    this.label.input.setAttribute("aria-describedby", hint.id);
    this.weeks = field(_("weeks"), "input", { type: "number", min: "20", max: "45", step: "1" });
    this.parity = field(_("parity"), "input", { type: "number", min: "0", max: "20", step: "1" });
    this.stage = choice(_("stage"), { "": N_("not said"), 0: N_("not in labour"), 1: N_("first stage"), 2: N_("second stage") });
    this.twins = choice(_("fetuses"), { "": N_("not said"), single: N_("single"), twins: N_("twins") });
    this.risks = make("div", "risks");
    this.note = field(_("anything else"), "input", { maxLength: 300, autocomplete: "off" });
    this.parts = [
      this.label.label, hint, this.weeks.label, this.parity.label, this.stage.label, this.twins.label, this.risks, this.note.label,
    ];
  }

  /**
   * The risks that can be ticked.
   * @param {string[]} risks
   */
  offer(risks) {
    ifChanged(this.risks, risks, () => this.risks.replaceChildren(...risks.map(tickBox)));
  }

  /** @returns {Arrival} */
  read() {
    const ticked = /** @type {NodeListOf<HTMLInputElement>} */ (this.risks.querySelectorAll("input:checked"));
    return arrivalOf({
      label: this.label.input.value,
      weeks: this.weeks.input.value,
      parity: this.parity.input.value,
      stage: this.stage.input.value,
      fetuses: this.twins.input.value,
      risks: [...ticked].map((box) => box.value),
      note: this.note.input.value,
    });
  }

  /** @param {Arrival} arrival */
  fill(arrival) {
    const written = writtenOf(arrival);
    this.label.input.value = written.label;
    this.weeks.input.value = written.weeks;
    this.parity.input.value = written.parity;
    this.stage.input.value = written.stage;
    this.twins.input.value = written.fetuses;
    this.note.input.value = written.note;
    for (const box of this.risks.querySelectorAll("input")) box.checked = written.risks.includes(box.value);
  }
}

/**
 * @param {string} name
 * @param {Record<string, string>} words what can be chosen
 */
function choice(name, words) {
  const found = field(name, "select");
  for (const [value, text] of Object.entries(words).sort(([a], [b]) => a.localeCompare(b))) found.input.append(new Option(_(text), value));
  return found;
}

/** @param {string} risk */
function tickBox(risk) {
  const input = make("input");
  input.type = "checkbox";
  input.value = risk;
  return labelled(said(risk), input);
}
