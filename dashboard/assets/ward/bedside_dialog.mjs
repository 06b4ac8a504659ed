// What people do at a bed, over the ward, without leaving it.

import { Bedside } from "../bedside/bedside.mjs";
import { button, make, setText } from "../shared/elements.mjs";
import { _, said } from "../shared/language.mjs";
import { LogReader } from "../shared/log_reader.mjs";
import { isNameless, nameField } from "../shared/user.mjs";
import { cameFrom, wholeLine } from "../shared/words.mjs";

/** @import { Card, PolicyInfo } from "../shared/types" */

export class BedsideDialog {
  /** @param {Record<string, string>} careWords */
  constructor(careWords) {
    this.careWords = careWords;
    /** @type {Bedside | null} */
    this.bedside = null;
    /** @type {LogReader | null} */
    this.reader = null;
    this.facts = make("p", "about-her");
    this.reason = make("p", "reason");
    this.root = make("dialog", "at-bedside");
    this.root.addEventListener("close", () => {
      this.root.replaceChildren();
      this.bedside = this.reader = null;
    });
  }

  /** @param {string} bed */
  open(bed) {
    const bedside = new Bedside(bed, this.careWords);
    this.bedside = bedside;
    this.reader = new LogReader(bed, (events) => bedside.read(events));
    const head = make("div", "head");
    head.append(make("h1", "", bed), button(_("Close"), "plain close", () => this.root.close()));
    const asked = isNameless() ? [nameField().label] : []; // the one at the top cannot be reached from here
    this.root.replaceChildren(head, this.facts, this.reason, ...asked, bedside.root);
    this.root.setAttribute("aria-label", _("At {bed}", { bed }));
    this.root.showModal();
  }

  /**
   * @param {Card[]} cards
   * @param {PolicyInfo | null} policy
   */
  show(cards, policy) {
    const { bedside } = this;
    const card = bedside && cards.find((one) => one.bed === bedside.bed);
    if (!card) return;
    setText(this.facts, [card.label, ...card.facts.map(said), cameFrom(card)].filter(Boolean).join(" · "));
    setText(this.reason, wholeLine(card));
    bedside.show(card, policy, cards);
    this.reader?.follow(card);
  }
}
