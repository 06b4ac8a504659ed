// What people do at a bed, over the ward, without leaving it.

import { Bedside } from "./bedside.mjs";
import { button, make } from "./elements.mjs";
import { isNameless, nameField } from "./who.mjs";

export class AtBedside {
  constructor(careWords) {
    this.careWords = careWords;
    this.bedside = null;
    this.events = -1;
    this.root = make("dialog", "at-bedside");
    this.root.addEventListener("close", () => {
      this.root.replaceChildren();
      this.bedside = null;
    });
  }

  open(bed) {
    this.bedside = new Bedside(bed, this.careWords);
    this.events = -1;
    const head = make("div", "head");
    this.title = make("h1", "", bed);
    this.reason = make("p", "reason");
    head.append(this.title, button("Close", "plain close", () => this.root.close()));
    const asked = isNameless() ? [nameField().label] : []; // the one at the top cannot be reached from here
    this.root.replaceChildren(head, this.reason, ...asked, this.bedside.root);
    this.root.setAttribute("aria-label", `At ${bed}`);
    this.root.showModal();
  }

  show(cards, policy) {
    const card = this.bedside && cards.find((one) => one.bed === this.bedside.bed);
    if (!card) return;
    this.reason.textContent = card.reason;
    this.bedside.show(card, policy);
    if (card.events !== this.events) this.readLog(card.events);
  }

  async readLog(newest) {
    const { bedside } = this;
    this.events = newest;
    try {
      const answer = await (await fetch(`/log/${bedside.bed}`)).json();
      bedside.read(answer.events);
    } catch {
      this.events = -1; // the next frame asks again
    }
  }
}
