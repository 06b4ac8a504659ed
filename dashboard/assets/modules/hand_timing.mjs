// Contractions timed by hand: one large button for beginning and end.

import { button, make, say } from "./elements.mjs";

const ANSWER_WITHIN_MS = 6000; // then the button shows again what the detector says

export class HandTiming {
  constructor(tell) {
    this.tell = tell;
    this.pressed = null; // { edge, at }: what was pressed and has not come back in the summary
    this.hand = null;
    this.root = make("section", "hand");
    this.tap = button("", "tap", () => this.press());
    this.undo = button("Undo", "plain", () => this.take("undo"));
    this.line = make("p", "hand-line");
    this.differs = make("p", "differs");
    const row = make("div", "line");
    row.append(this.tap, this.undo);
    this.root.append(make("h2", "", "Contractions by hand"), row, this.line, this.differs);
    this.write();
  }

  get isRunning() {
    return this.pressed ? this.pressed.edge === "start" : Boolean(this.hand?.is_running);
  }

  press() {
    return this.take(this.isRunning ? "end" : "start");
  }

  async take(edge) {
    const before = this.pressed;
    if (edge !== "undo") this.pressed = { edge, at: Date.now() };
    this.write();
    if (await this.tell({ type: "tap", edge })) return;
    this.pressed = before;
    this.write();
  }

  // The detector could not take what was pressed.
  refused() {
    this.pressed = null;
    this.write();
  }

  show(card) {
    this.hand = card.hand;
    if (this.pressed) {
      const is_there = (this.pressed.edge === "start") === Boolean(card.hand?.is_running);
      if (is_there || Date.now() - this.pressed.at > ANSWER_WITHIN_MS) this.pressed = null;
    }
    this.write();
  }

  write() {
    const { hand } = this;
    const seconds = this.pressed ? (Date.now() - this.pressed.at) / 1000 : hand?.since_onset_s ?? 0;
    say(this.tap, this.isRunning ? `Contraction ends · ${seconds.toFixed(0)} s` : "Contraction begins");
    this.tap.classList.toggle("running", this.isRunning);
    this.undo.disabled = !hand && !this.pressed;
    say(this.line, hand ? hand.text : "none timed by hand in the last 30 min");
    say(this.differs, hand?.differs ?? "");
  }
}
