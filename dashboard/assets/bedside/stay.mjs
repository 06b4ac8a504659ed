// Who is in a bed: a new arrival, what was said of her corrected, a move to another bed, a leaving, and a wrong press undone.

import { button, disclosure, field, ifChanged, make, setText } from "../shared/elements.mjs";
import { _, N_ } from "../shared/language.mjs";
import { NO_POLICY, timeOf } from "../shared/words.mjs";
import { ArrivalFields } from "./arrival_fields.mjs";
import { emptyBeds } from "./empty_beds.mjs";
import { whyNotEnded } from "./times.mjs";

/** @import { Card, PolicyInfo, Tell, Undoable } from "../shared/types" */

/** @type {Record<Undoable["what"], string>} */
const PRESSED = { arrival: N_("Arrival"), leaving: N_("Leaving"), move: N_("Move") };

export class StayForms {
  /** @param {Tell} tell */
  constructor(tell) {
    this.tell = tell;
    this.undo = make("div", "undo");
    this.arrival = disclosure(_("New arrival …"), () => void this.tell({ type: "arrive", arrival: this.fields.read() }));
    this.fields = new ArrivalFields();
    this.arrival.inside.append(...this.fields.parts, make("button", "plain", _("Note arrival")));
    this.correction = disclosure(_("Correct her details …"), () => void this.correct());
    /** @type {ArrivalFields | null} */
    this.corrected = null; // while the form is open: what was noted, as it is changed
    this.correction.root.addEventListener("toggle", () => this.fillCorrection());
    this.moving = disclosure(_("Move to another bed …"), () => void this.move());
    this.to = field(_("empty bed"), "select");
    this.moving.inside.append(this.to.label, make("button", "plain", _("Move")));
    this.leaving = disclosure(_("Has left …"), () => void this.leave());
    this.leaving.inside.append(make("button", "plain", _("She has left")));
    this.all = [this.arrival, this.correction, this.moving, this.leaving];
    this.folds = this.all.map(({ root }) => root);
    this.wasEmpty = false;
    /** @type {Card | null} */
    this.card = null;
    /** @type {string[]} */
    this.risks = [];
  }

  /** The detector has taken it: until then what was written stays, it may be refused. */
  arrived() {
    this.arrival.root.querySelector("form")?.reset();
    this.arrival.root.open = false;
  }

  async correct() {
    if (this.corrected && (await this.tell({ type: "correct-arrival", arrival: this.corrected.read() }))) this.correction.root.open = false;
  }

  async move() {
    if (await this.tell({ type: "move", to: this.to.input.value })) this.moving.root.open = false;
  }

  async leave() {
    if (await this.tell({ type: "leave" })) this.leaving.root.open = false;
  }

  /** The form of a correction begins with what is noted each time it is opened. */
  fillCorrection() {
    this.corrected = null;
    this.correction.inside.replaceChildren();
    const arrival = this.card?.arrival;
    if (!this.correction.root.open || !arrival) return;
    this.corrected = new ArrivalFields();
    this.corrected.offer([...new Set([...this.risks, ...arrival.risks])]);
    this.corrected.fill(arrival);
    this.correction.inside.append(...this.corrected.parts, make("button", "plain", _("Correct")));
  }

  /**
   * @param {Card} card
   * @param {PolicyInfo | null} policy
   * @param {Card[]} cards of all beds
   */
  show(card, policy, cards) {
    this.card = card;
    this.risks = policy?.risks ?? [];
    const isEmpty = card.state === "empty";
    if (isEmpty !== this.wasEmpty) this.arrival.root.open = isEmpty; // there is nothing else to do at an empty bed
    this.wasEmpty = isEmpty;
    this.leaving.root.hidden = isEmpty;
    this.moving.root.hidden = isEmpty;
    this.correction.root.hidden = !card.arrival;
    if (!card.arrival) this.correction.root.open = false;
    const isCalled = whyNotEnded(card);
    for (const { inside } of this.all) inside.disabled = !policy || card.moving_to !== "";
    if (isCalled) this.arrival.inside.disabled = this.leaving.inside.disabled = true;
    const minutes = Math.round((policy?.undo_stay_s ?? 0) / 60);
    const ends = isEmpty ? "" : _("{label} has then left. ", { label: card.label || _("Whoever is in this bed") });
    setText(this.arrival.hint, isCalled || (policy ? ends + _("Trace, flags and log begin anew. Can be undone for {minutes} min.", { minutes }) : _(NO_POLICY)));
    setText(this.correction.hint, policy ? _("The log says what was changed, and by whom.") : _(NO_POLICY));
    setText(this.leaving.hint, isCalled || (policy ? _("The bed is then empty and calls nobody. Can be undone for {minutes} min.", { minutes }) : _(NO_POLICY)));
    this.showMoving(policy, emptyBeds(cards, card.bed), minutes);
    this.fields.offer(this.risks);
    ifChanged(this.undo, card.undoable, () => this.showUndo(card));
  }

  /**
   * @param {PolicyInfo | null} policy
   * @param {string[]} beds that are empty
   * @param {number} minutes
   */
  showMoving(policy, beds, minutes) {
    const there = _("Trace, log, flags and limits go with her; the monitor of the other bed goes on. Can be undone for {minutes} min.", { minutes });
    setText(this.moving.hint, !policy ? _(NO_POLICY) : beds.length ? there : _("No bed is empty. Note first who has left."));
    if (beds.length === 0) this.moving.inside.disabled = true;
    ifChanged(this.to.input, beds, () => {
      const chosen = this.to.input.value;
      this.to.input.replaceChildren(...beds.map((bed) => new Option(bed, bed)));
      if (beds.includes(chosen)) this.to.input.value = chosen;
    });
  }

  /** @param {Card} card */
  showUndo({ undoable }) {
    if (!undoable) return this.undo.replaceChildren();
    const line = make("p", "held", _("{what} noted by {by}; can be undone until {until} ", { what: _(PRESSED[undoable.what]), by: undoable.by, until: timeOf(undoable.until) }));
    line.append(button(_("Undo {what}", { what: _(PRESSED[undoable.what]) }), "plain", () => void this.tell({ type: "undo-stay" })));
    this.undo.replaceChildren(line);
  }
}
