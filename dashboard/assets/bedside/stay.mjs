// Who is in a bed: a new arrival, a leaving, and a wrong press undone.

import { button, disclosure, field, ifChanged, labelled, make, setText } from "../shared/elements.mjs";
import { NO_POLICY, timeOf } from "../shared/words.mjs";
import { arrivalOf } from "./arrival.mjs";

/** @import { Card, PolicyInfo, Tell } from "../shared/types" */

const LABEL_HINT = "What the ward calls her: a room, a colour, a number. Never her name.";

export class StayForms {
  /** @param {Tell} tell */
  constructor(tell) {
    this.tell = tell;
    this.undo = make("div", "undo");
    this.arrival = disclosure("New arrival …", () => void this.arrive());
    const { inside } = this.arrival;
    this.label = field("label", "input", { maxLength: 40, required: true, autocomplete: "off" });
    this.label.input.setAttribute("aria-describedby", "label-hint");
    const hint = make("p", "hint", LABEL_HINT);
    hint.id = "label-hint";
    this.weeks = field("weeks", "input", { type: "number", min: "20", max: "45", step: "1" });
    this.parity = field("parity", "input", { type: "number", min: "0", max: "20", step: "1" });
    this.stage = choice("stage", { "": "not said", 0: "not in labour", 1: "first stage", 2: "second stage" });
    this.twins = choice("fetuses", { "": "not said", single: "single", twins: "twins" });
    this.risks = make("div", "risks");
    this.note = field("anything else", "input", { maxLength: 300, autocomplete: "off" });
    const parts = [this.label.label, hint, this.weeks.label, this.parity.label, this.stage.label, this.twins.label];
    inside.append(...parts, this.risks, this.note.label, make("button", "plain", "Note arrival"));
    this.leaving = disclosure("Has left …", () => void this.leave());
    this.leaving.inside.append(make("button", "plain", "She has left"));
    this.folds = [this.arrival.root, this.leaving.root];
    this.wasEmpty = false;
  }

  async arrive() {
    const ticked = /** @type {NodeListOf<HTMLInputElement>} */ (this.risks.querySelectorAll("input:checked"));
    const arrival = arrivalOf({
      label: this.label.input.value,
      weeks: this.weeks.input.value,
      parity: this.parity.input.value,
      stage: this.stage.input.value,
      fetuses: this.twins.input.value,
      risks: [...ticked].map((box) => box.value),
      note: this.note.input.value,
    });
    if (!(await this.tell({ type: "arrive", arrival }))) return;
    this.arrival.root.querySelector("form")?.reset();
    this.arrival.root.open = false;
  }

  async leave() {
    if (await this.tell({ type: "leave" })) this.leaving.root.open = false;
  }

  /**
   * @param {Card} card
   * @param {PolicyInfo | null} policy
   */
  show(card, policy) {
    const isEmpty = card.state === "empty";
    if (isEmpty && !this.wasEmpty) this.arrival.root.open = true; // there is nothing else to do at an empty bed
    this.wasEmpty = isEmpty;
    this.leaving.root.hidden = isEmpty;
    for (const { inside } of [this.arrival, this.leaving]) inside.disabled = !policy;
    const minutes = Math.round((policy?.undo_stay_s ?? 0) / 60);
    const ends = isEmpty ? "" : `${card.label || "Whoever is in this bed"} has then left. `;
    setText(this.arrival.hint, policy ? `${ends}Trace, flags and log begin anew. Can be undone for ${minutes} min.` : NO_POLICY);
    setText(this.leaving.hint, policy ? `The bed is then empty and calls nobody. Can be undone for ${minutes} min.` : NO_POLICY);
    ifChanged(this.risks, policy?.risks, () => this.risks.replaceChildren(...(policy?.risks ?? []).map(tickBox)));
    ifChanged(this.undo, card.undoable, () => this.showUndo(card));
  }

  /** @param {Card} card */
  showUndo({ undoable }) {
    if (!undoable) return this.undo.replaceChildren();
    const line = make("p", "held", `${undoable.what === "arrival" ? "Arrival" : "Leaving"} noted by ${undoable.by}; can be undone until ${timeOf(undoable.until)} `);
    line.append(button(`Undo ${undoable.what}`, "plain", () => void this.tell({ type: "undo-stay" })));
    this.undo.replaceChildren(line);
  }
}

/**
 * @param {string} name
 * @param {Record<string, string>} words what can be chosen
 */
function choice(name, words) {
  const found = field(name, "select");
  for (const [value, text] of Object.entries(words).sort(([a], [b]) => a.localeCompare(b))) found.input.append(new Option(text, value));
  return found;
}

/** @param {string} risk */
function tickBox(risk) {
  const input = make("input");
  input.type = "checkbox";
  input.value = risk;
  return labelled(risk, input);
}
