// Contractions timed by hand: one large button for beginning and end.

import { button, make, setText, statusLine } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";
import { Tap } from "./tap.mjs";

/** @import { Card, Edge, Tell } from "../shared/types" */

export class HandTiming {
  /** @param {Tell} tell */
  constructor(tell) {
    this.tell = tell;
    this.tap = new Tap();
    this.root = make("section", "hand");
    this.button = button("", "tap", () => void this.take(this.tap.next));
    this.undo = button(_("Undo"), "plain", () => void this.take("undo"));
    this.told = statusLine("p", "hand-told");
    this.line = make("p", "hand-line");
    this.differs = make("p", "differs");
    const row = make("div", "line");
    row.append(this.button, this.undo);
    this.root.append(make("h2", "", _("Contractions by hand")), row, this.told, this.line, this.differs);
    this.write();
  }

  /** @param {Edge} edge */
  async take(edge) {
    const isTooSoon = this.tap.isTooSoon(edge, Date.now());
    setText(this.told, isTooSoon ? _("The contraction has only just begun; still timing. Undo if it was not one.") : "");
    if (isTooSoon) return;
    const forget = this.tap.press(edge, Date.now());
    this.write();
    if (await this.tell({ type: "tap", edge })) return;
    forget();
    this.write();
  }

  /** The detector could not take what was pressed. */
  refused() {
    this.tap.refuse();
    this.write();
  }

  /** @param {Card} card */
  show(card) {
    this.tap.hear(card.hand, Date.now());
    this.write();
  }

  write() {
    const { hand, isRunning } = this.tap;
    setText(this.button, isRunning ? _("Contraction ends · {n} s", { n: this.tap.seconds(Date.now()).toFixed(0) }) : _("Contraction begins"));
    this.button.classList.toggle("running", isRunning);
    this.undo.disabled = !this.tap.canUndo;
    setText(this.line, hand ? said(hand.text) : _("No hand-timed contractions in the last 30 min"));
    setText(this.differs, said(hand?.differs ?? ""));
  }
}
