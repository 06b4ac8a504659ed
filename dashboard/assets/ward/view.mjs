// Ward: a band for every bed, the one that needs somebody first.

import { byId, make } from "../shared/elements.mjs";
import { heightToScale } from "../shared/geometry.mjs";
import { onOptions, options } from "../shared/options.mjs";
import { headline } from "../shared/words.mjs";
import { AtBedside } from "./at_bedside.mjs";
import { Band } from "./band.mjs";
import { arrange, FIRST_HEIGHT, sizes } from "./order.mjs";

/** @import { Card, CareData, FrameHead, Strips } from "../shared/types" */

const SETTLED_MS = 700; // a press so soon after the bands have moved was meant for what was there before

export default class WardView {
  /**
   * @param {HTMLElement} host
   * @param {CareData} data
   */
  constructor(host, { care }) {
    this.host = host;
    /** @type {Map<string, Band>} */
    this.bands = new Map();
    this.list = make("div", "bands");
    this.empty = make("p", "empty", "No device of this ward has sent anything yet. Start quietward simulate or quietward replay.");
    this.atBedside = new AtBedside(care);
    host.append(this.empty, this.list, this.atBedside.root);
    this.spoken = "";
    this.places = "";
    this.movedAt = -Infinity;
    /** @type {[head: FrameHead, strips: Strips] | null} */
    this.last = null; // what was shown last
    this.redraw = () => {
      if (this.last) this.show(...this.last);
    };
    this.endOptions = onOptions(this.redraw);
    window.addEventListener("resize", this.redraw);
  }

  /**
   * @param {FrameHead} head
   * @param {Strips} strips
   */
  show(head, strips) {
    this.last = [head, strips];
    this.empty.hidden = head.beds.length > 0;
    const byNeed = head.beds.map((bed) => bed.card);
    const { beds, first } = arrange(byNeed, options.order);
    for (const [bed, band] of this.bands) {
      if (!beds.some((card) => card.bed === bed)) {
        band.root.remove();
        this.bands.delete(bed);
      }
    }
    const bands = beds.map(({ bed }) => this.bandOf(bed));
    this.place(bands, `${beds.map((card) => card.bed)} ${first?.bed}`);
    this.size(beds.length, first !== null);
    const isNarrow = this.list.dataset.size === "many";
    beds.forEach((card, i) => bands[i]?.show(card, strips.get(card.bed), card === first, isNarrow && card !== first));
    this.atBedside.show(byNeed, head.policy);
    if (byNeed[0]) this.speak(byNeed[0]);
  }

  /** @param {string} bed */
  bandOf(bed) {
    // The keyboard's focus moves with its band; a pointer stays where it is.
    /** @param {MouseEvent} event */
    const mayPress = (event) => event.detail === 0 || performance.now() - this.movedAt > SETTLED_MS;
    const band = this.bands.get(bed) ?? new Band(bed, mayPress, (one) => this.act(one));
    this.bands.set(bed, band);
    return band;
  }

  /** @param {string} bed */
  act(bed) {
    this.atBedside.open(bed);
    this.redraw();
  }

  /**
   * As many rows as there are share the screen; on paper to scale every strip has the height that its scale asks for.
   * @param {number} beds
   * @param {boolean} hasFirst
   */
  size(beds, hasFirst) {
    const { size, columns, rows } = sizes(beds, hasFirst, document.body.classList.contains("wall"));
    const { style, dataset } = this.list;
    dataset.size = size;
    dataset.paper = options.bpm === "fit" ? "fit" : "scale";
    style.setProperty("--columns", String(columns));
    style.setProperty("--rows", String(rows));
    style.setProperty("--first-height", String(FIRST_HEIGHT));
    style.setProperty("--from-top", `${this.host.getBoundingClientRect().top + window.scrollY}px`);
    style.setProperty("--paper-height", options.bpm === "fit" ? "auto" : `${heightToScale(options.bpm)}px`);
  }

  /**
   * @param {Band[]} bands
   * @param {string} places who stands where, to see whether somebody has moved
   */
  place(bands, places) {
    if (this.places && places !== this.places) this.movedAt = performance.now();
    this.places = places;
    const focused = document.activeElement;
    bands.forEach(({ root }, place) => {
      const there = this.list.children[place];
      if (there !== root) this.list.insertBefore(root, there ?? null);
    });
    if (focused instanceof HTMLElement && focused !== document.activeElement && this.list.contains(focused)) focused.focus();
  }

  /**
   * One sentence for screen readers when the bed that comes first changes, not one for every number.
   * @param {Card} first
   */
  speak(first) {
    /** @param {string} reason */
    const sentence = (reason) => (first.state === "quiet" ? "All beds quiet" : `${first.bed}: ${headline(first)}. ${reason}`);
    const text = sentence(first.reason.replace(/\d+(\.\d+)?/g, ""));
    if (text === this.spoken) return;
    this.spoken = text;
    byId("spoken").textContent = sentence(first.reason);
  }

  close() {
    this.endOptions();
    window.removeEventListener("resize", this.redraw);
    this.host.replaceChildren();
  }
}
