// The button that answers a bed's flag, on the ward and on the bed's page.

import { button, setText, statusLine } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";
import { send } from "./send.mjs";
import { answerTo } from "./answers.mjs";

/** @import { Card, LogEvent } from "../shared/types" */
/** @import { Sent } from "./answers.mjs" */

const AGAIN_AFTER_MS = 4000; // the detector has taken it long before, or is away

export class Acknowledge {
  /**
   * @param {string} bed
   * @param {(event: MouseEvent) => boolean} mayPress false while a press may have been meant for something else
   */
  constructor(bed, mayPress = () => true) {
    this.bed = bed;
    this.mayPress = mayPress;
    /** @type {string | null} */
    this.flag = null;
    this.stay = 0;
    this.events = 0; // number of the newest line of the log
    /** @type {Sent | null} */
    this.asked = null; // what has been answered from here
    this.button = button(_("Acknowledge"), "acknowledge", (event) => void this.press(event));
    this.button.setAttribute("aria-label", _("Acknowledge the flag of {bed}", { bed }));
    this.going = button(_("Going"), "going", (event) => void this.go(event));
    this.going.setAttribute("aria-label", _("I am going to {bed}", { bed }));
    this.result = statusLine("span", "result");
  }

  /** @param {MouseEvent} event */
  async press(event) {
    if (!this.mayPress(event)) return setText(this.result, _("the beds have just changed places; press again"));
    const { flag, events: after } = this;
    this.button.disabled = true;
    const { by, trouble, isUnsure } = await send(this.bed, this.stay, { type: "acknowledge", flag });
    if (!trouble && this.button.hidden) return setText(this.result, ""); // its answer was faster than the server's
    this.asked = trouble && !isUnsure ? null : { by, after };
    setText(this.result, trouble || "sent");
    if (trouble) this.button.disabled = false;
    else setTimeout(() => this.overdue(flag), AGAIN_AFTER_MS);
  }

  /**
   * "I am going" answers the flag, too.
   * @param {MouseEvent} event
   */
  async go(event) {
    if (!this.mayPress(event)) return setText(this.result, _("the beds have just changed places; press again"));
    this.going.disabled = true;
    const { trouble } = await send(this.bed, this.stay, { type: "attend", going: true });
    setText(this.result, trouble);
    this.going.disabled = false;
  }

  /** @param {string | null} flag */
  overdue(flag) {
    if (this.flag !== flag || this.button.hidden || this.asked === null) return;
    this.button.disabled = false;
    setText(this.result, _("sent, not yet confirmed"));
  }

  /** @param {Card} card */
  show(card) {
    this.events = card.events;
    this.stay = card.stay;
    if (card.flag !== this.flag) {
      setText(this.result, this.asked ? _("the flag is no longer there") : "");
      this.flag = card.flag;
      this.asked = null;
      this.button.disabled = false;
    }
    this.button.hidden = !card.flag || Boolean(card.acknowledged_by);
    this.going.hidden = !card.flag || card.attending.length > 0;
    if (!this.button.hidden || this.asked === null) return;
    const first = card.acknowledged_by;
    setText(this.result, first && first !== this.asked.by ? _("{first} answered it first", { first }) : "");
    this.asked = null;
    this.button.disabled = false;
  }

  /**
   * The log has new lines: one of them may say that it could not be taken.
   * @param {LogEvent[]} events
   */
  read(events) {
    const answer = this.asked && answerTo(this.asked, events);
    if (answer?.kind !== "not-taken" || answer.detail.act !== "acknowledge") return;
    setText(this.result, _("rejected: {why}", { why: said(String(answer.detail.why)) }));
    this.asked = null;
    this.button.disabled = false;
  }
}
