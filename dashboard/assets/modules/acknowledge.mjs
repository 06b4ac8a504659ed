// The button that answers a bed's flag, on the ward and on the bed's page.

import { send } from "./acts.mjs";
import { button, make, say } from "./elements.mjs";

const AGAIN_AFTER_MS = 4000; // the detector has taken it long before, or is away

export class Acknowledge {
  // `mayPress`: false while a press may have been meant for something else.
  constructor(bed, mayPress = () => true) {
    this.bed = bed;
    this.mayPress = mayPress;
    this.flag = null;
    this.asked = null;
    this.button = button("Acknowledge", "acknowledge", (event) => this.press(event));
    this.button.setAttribute("aria-label", `Acknowledge the flag of ${bed}`);
    this.result = make("span", "result");
    this.result.setAttribute("role", "status");
  }

  async press(event) {
    if (!this.mayPress(event)) return say(this.result, "the beds have just changed places; press again");
    const { flag } = this;
    this.button.disabled = true;
    const { by, trouble } = await send({ type: "acknowledge", bed: this.bed, flag });
    this.asked = trouble ? null : { flag, by };
    say(this.result, trouble || "sent");
    if (trouble) this.button.disabled = false;
    else setTimeout(() => this.overdue(flag), AGAIN_AFTER_MS);
  }

  overdue(flag) {
    if (this.flag !== flag || this.button.hidden || this.asked === null) return;
    this.button.disabled = false;
    say(this.result, "sent, but the detector has not taken it yet");
  }

  show(card) {
    if (card.flag !== this.flag) {
      this.flag = card.flag;
      this.asked = null;
      this.button.disabled = false;
      say(this.result, "");
    }
    this.button.hidden = !card.flag || Boolean(card.acknowledged_by);
    if (!this.button.hidden || this.asked === null) return;
    const first = card.acknowledged_by;
    say(this.result, first && first !== this.asked.by ? `${first} had answered it before you` : "");
    this.asked = null;
    this.button.disabled = false;
  }
}
