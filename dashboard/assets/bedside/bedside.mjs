// What people do at a bed: all its buttons and forms, and what came of the last press.

import { make, setText, statusLine } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";
import { word } from "../shared/log_words.mjs";
import { userName } from "../shared/user.mjs";
import { Attend } from "./attend.mjs";
import { send } from "./send.mjs";
import { answerTo } from "./answers.mjs";
import { CareForm } from "./care.mjs";
import { HandTiming } from "./hand_timing.mjs";
import { LimitsForm } from "./limits.mjs";
import { PauseForm } from "./pause.mjs";
import { ShelveForm } from "./shelve.mjs";
import { StayForms } from "./stay.mjs";

/** @import { Card, Command, LogEvent, PolicyInfo } from "../shared/types" */
/** @import { Sent } from "./answers.mjs" */

const SOON_MS = 5000;
const ON_THE_WAY = new Set(["moved", "empty"]); // what a move says at once; the other bed may still refuse her

export class Bedside {
  /**
   * @param {string} bed
   * @param {Record<string, string>} careWords
   */
  constructor(bed, careWords) {
    this.bed = bed;
    this.stay = 0; // who is in the bed
    this.isMoving = false;
    this.events = 0; // number of the newest line of the log
    /** @type {Sent | null} */
    this.sent = null; // the last act
    /** @param {Command} command */
    const tell = (command) => this.tell(command);
    this.result = statusLine("p", "result");
    this.attend = new Attend(tell);
    this.hand = new HandTiming(tell);
    this.who = new StayForms(tell);
    this.forms = [new ShelveForm(tell), new PauseForm(tell), new LimitsForm(tell)];
    this.root = make("section", "box bedside");
    this.root.setAttribute("aria-label", _("At {bed}", { bed }));
    const care = new CareForm(careWords, tell).root;
    this.ofHer = [this.attend.root, care, this.hand.root, ...this.forms.map((one) => one.root)]; // makes sense while somebody is in the bed
    this.root.append(this.who.undo, this.attend.root, care, this.result, this.hand.root, ...this.forms.map((one) => one.root), ...this.who.folds);
  }

  /**
   * Resolves to true when the server has taken it.
   * @param {Command} command
   */
  async tell(command) {
    const sent = { by: userName(), after: this.events };
    this.sent = sent; // before it is sent: a line of the log may be faster than the server's answer
    const { trouble, isUnsure } = await send(this.bed, this.stay, command);
    const isAnswered = this.sent !== sent;
    if (trouble) {
      if (!isAnswered || !isUnsure) setText(this.result, trouble);
      if (!isAnswered && !isUnsure) this.sent = null; // else a line of the log may still say that it was taken
      return false;
    }
    if (isAnswered) return true;
    setText(this.result, _("sent"));
    setTimeout(() => {
      if (this.sent === sent) setText(this.result, _("sent, no reply from the detector yet"));
    }, SOON_MS);
    return true;
  }

  /**
   * @param {Card} card
   * @param {PolicyInfo | null} policy
   * @param {Card[]} cards of all beds
   */
  show(card, policy, cards) {
    this.events = card.events;
    this.stay = card.stay;
    this.isMoving = card.moving_to !== "";
    this.attend.show(card);
    for (const part of this.ofHer) part.hidden = card.state === "empty";
    this.who.show(card, policy, cards);
    this.hand.show(card);
    for (const one of this.forms) one.show(card, policy);
  }

  /**
   * The log has new lines: one of them may say what became of what was sent from here.
   * @param {LogEvent[]} events
   */
  read(events) {
    if (!this.sent) return;
    const answer = answerTo(this.sent, events);
    if (!answer || (this.isMoving && ON_THE_WAY.has(answer.kind))) return;
    this.sent = null;
    const isRefused = answer.kind === "not-taken";
    if (isRefused) this.hand.refused();
    if (answer.kind === "arrived") this.who.arrived();
    setText(this.result, `${word(answer.kind)}: ${said(isRefused && answer.detail.why ? String(answer.detail.why) : answer.text)}`);
  }
}
