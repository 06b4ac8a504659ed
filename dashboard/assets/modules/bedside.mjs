// What people do at a bed: all its buttons and forms, and what came of the last press.

import { answerTo, send } from "./acts.mjs";
import { CareForm } from "./care.mjs";
import { make, say } from "./elements.mjs";
import { HandTiming } from "./hand_timing.mjs";
import { LimitsForm } from "./limits.mjs";
import { word } from "./log_list.mjs";
import { PauseForm } from "./pause.mjs";
import { ShelveForm } from "./shelve.mjs";

const SOON_MS = 5000;

export class Bedside {
  constructor(bed, careWords) {
    this.bed = bed;
    this.events = 0; // number of the newest line of the log
    this.sent = null; // { by, after }: the last act, and the log's newest line when it went
    const tell = (act) => this.tell(act);
    this.result = make("p", "result");
    this.result.setAttribute("role", "status");
    this.hand = new HandTiming(tell);
    this.folds = [new ShelveForm(tell), new PauseForm(tell), new LimitsForm(tell)];
    this.root = make("section", "box bedside");
    this.root.setAttribute("aria-label", `At ${bed}`);
    this.root.append(new CareForm(careWords, tell).root, this.result, this.hand.root, ...this.folds.map((one) => one.root));
  }

  // Returns true when the server has taken it.
  async tell(act) {
    const after = this.events;
    const { by, trouble } = await send({ bed: this.bed, ...act });
    if (trouble) {
      say(this.result, trouble);
      return false;
    }
    this.sent = { by, after };
    say(this.result, "sent");
    setTimeout(() => {
      if (this.sent?.after === after) say(this.result, "sent, but the detector has not said anything yet");
    }, SOON_MS);
    return true;
  }

  show(card, policy) {
    this.events = card.events;
    this.hand.show(card);
    for (const one of this.folds) one.show(card, policy);
  }

  // The log has new lines: one of them may say what became of what was sent from here.
  read(events) {
    if (!this.sent) return;
    const answer = answerTo(this.sent, events);
    if (!answer) return;
    this.sent = null;
    if (answer.kind === "not-taken") this.hand.refused();
    say(this.result, `${word(answer.kind)}: ${answer.detail.why && answer.kind === "not-taken" ? answer.detail.why : answer.text}`);
  }
}
