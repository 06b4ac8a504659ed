// What people do at a bed: all its buttons and forms, and what came of the last press.

import { make, say, spokenLine } from "../shared/elements.mjs";
import { word } from "../shared/log_words.mjs";
import { send } from "./acts.mjs";
import { answerTo } from "./answers.mjs";
import { CareForm } from "./care.mjs";
import { HandTiming } from "./hand_timing.mjs";
import { LimitsForm } from "./limits.mjs";
import { PauseForm } from "./pause.mjs";
import { ShelveForm } from "./shelve.mjs";

/** @import { Card, Deed, LogEvent, PolicySheet } from "../shared/types" */
/** @import { Sent } from "./answers.mjs" */

const SOON_MS = 5000;

export class Bedside {
  /**
   * @param {string} bed
   * @param {Record<string, string>} careWords
   */
  constructor(bed, careWords) {
    this.bed = bed;
    this.events = 0; // number of the newest line of the log
    /** @type {Sent | null} */
    this.sent = null; // the last act
    /** @param {Deed} deed */
    const tell = (deed) => this.tell(deed);
    this.result = spokenLine("p", "result");
    this.hand = new HandTiming(tell);
    this.folds = [new ShelveForm(tell), new PauseForm(tell), new LimitsForm(tell)];
    this.root = make("section", "box bedside");
    this.root.setAttribute("aria-label", `At ${bed}`);
    this.root.append(new CareForm(careWords, tell).root, this.result, this.hand.root, ...this.folds.map((one) => one.root));
  }

  /**
   * Resolves to true when the server has taken it.
   * @param {Deed} deed
   */
  async tell(deed) {
    const after = this.events;
    const { by, trouble } = await send(this.bed, deed);
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

  /**
   * @param {Card} card
   * @param {PolicySheet | null} policy
   */
  show(card, policy) {
    this.events = card.events;
    this.hand.show(card);
    for (const one of this.folds) one.show(card, policy);
  }

  /**
   * The log has new lines: one of them may say what became of what was sent from here.
   * @param {LogEvent[]} events
   */
  read(events) {
    if (!this.sent) return;
    const answer = answerTo(this.sent, events);
    if (!answer) return;
    this.sent = null;
    const isRefused = answer.kind === "not-taken";
    if (isRefused) this.hand.refused();
    say(this.result, `${word(answer.kind)}: ${isRefused && answer.detail.why ? answer.detail.why : answer.text}`);
  }
}
