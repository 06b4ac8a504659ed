// The buttons that answer a bed's flag, on the ward and on the bed's page.

import { button, say, setHidden, statusLine } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";
import { userName } from "../shared/user.mjs";
import { send } from "./send.mjs";
import { answerTo } from "./answers.mjs";

/** @import { Card, Command, LogEvent } from "../shared/types" */
/** @import { Sent } from "./answers.mjs" */

/** @typedef {Sent & { act: string, flag: string | null }} Asked */

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
    /** @type {Asked | null} */
    this.asked = null; // what was pressed here last and has no answer yet
    this.button = button(_("Acknowledge"), "acknowledge", (event) => void this.press(event));
    this.button.setAttribute("aria-label", _("Acknowledge the flag of {bed}", { bed }));
    this.going = button(_("Going"), "going", (event) => void this.go(event));
    this.going.title = _("I am going to {bed}", { bed }); // on small screens it shows an arrow alone
    this.going.setAttribute("aria-label", this.going.title);
    this.result = statusLine("span", "result");
  }

  /** @param {MouseEvent} event */
  async press(event) {
    await this.ask(event, { type: "acknowledge", flag: this.flag });
  }

  /**
   * "I am going" answers the flag, too.
   * @param {MouseEvent} event
   */
  async go(event) {
    await this.ask(event, { type: "attend", going: true });
  }

  /**
   * One thing at a time: what is pressed next would take the place of what is waited for.
   * @param {MouseEvent} event
   * @param {Command} command
   */
  async ask(event, command) {
    if (!this.mayPress(event)) return say(this.result, _("the beds have just changed places; press again"));
    const asked = { by: userName(), after: this.events, act: command.type, flag: this.flag };
    this.asked = asked; // before it is sent: its answer may be faster than the server's
    this.button.disabled = this.going.disabled = true;
    const { trouble, isUnsure } = await send(this.bed, this.stay, command);
    if (this.asked !== asked) return;
    if (trouble && !isUnsure) return this.settle(trouble);
    say(this.result, trouble || _("sent"));
    if (trouble) this.button.disabled = this.going.disabled = false;
    else setTimeout(() => this.overdue(asked), AGAIN_AFTER_MS);
  }

  /** @param {Asked} asked */
  overdue(asked) {
    if (this.asked !== asked) return;
    this.button.disabled = this.going.disabled = false;
    say(this.result, _("sent, not yet confirmed"));
  }

  /**
   * Nothing is waited for any more.
   * @param {string} words what came of it
   */
  settle(words) {
    this.asked = null;
    this.button.disabled = this.going.disabled = false;
    say(this.result, words);
  }

  /** @param {Card} card */
  show(card) {
    this.events = card.events;
    this.stay = card.stay;
    const isOther = card.flag !== this.flag;
    this.flag = card.flag;
    setHidden(this.button, !card.flag || Boolean(card.acknowledged_by));
    setHidden(this.going, !card.flag || card.attending.length > 0);
    const { asked } = this;
    if (!asked) {
      if (isOther) this.settle("");
    } else if (asked.act === "attend") {
      if (isOther || card.attending.some((one) => one.by === asked.by)) this.settle("");
    } else {
      const one = [card, ...card.twins].find(({ flag }) => flag === asked.flag); // of twins the bed shows the flag that waits
      const first = one?.acknowledged_by;
      if (first) this.settle(first === asked.by ? "" : _("{first} answered it first", { first }));
      else if (!one) this.settle(_("the flag is no longer there"));
    }
  }

  /**
   * The log has new lines: one of them may say that it could not be taken; or that she goes, though she may have gone
   * on to another bed since.
   * @param {LogEvent[]} events
   */
  read(events) {
    const answer = this.asked && answerTo(this.asked, events);
    if (!answer) return;
    if (answer.kind !== "not-taken") {
      if (this.asked?.act === "attend") this.settle("");
    } else if (answer.detail.act === this.asked?.act) {
      this.settle(_("rejected: {why}", { why: said(String(answer.detail.why)) }));
    }
  }
}
