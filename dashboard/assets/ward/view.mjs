// Ward: a row for every bed, the one that needs somebody first.

import { byId, make, setFromTop, setHidden, setProperty } from "../shared/elements.mjs";
import { heightToScale } from "../shared/geometry.mjs";
import { _ } from "../shared/language.mjs";
import { onOptions, options } from "../shared/options.mjs";
import { stripStyle } from "../shared/strip_style.mjs";
import { BedsideDialog } from "./bedside_dialog.mjs";
import { UnexpectedDevices } from "./unexpected.mjs";
import { BedRow } from "./bed_row.mjs";
import { FIRST_HEIGHT, gridSize, inOrder } from "./order.mjs";
import { sentenceOf } from "./spoken.mjs";
import { Wall } from "./wall.mjs";

/** @import { Card, CareData, FrameHead, Strips } from "../shared/types" */

const SETTLED_MS = 700; // a press so soon after the rows have moved was meant for what was there before

export default class WardView {
  /**
   * @param {HTMLElement} host
   * @param {CareData} data
   */
  constructor(host, { care }) {
    this.host = host;
    /** @type {Map<string, BedRow>} */
    this.rows = new Map();
    this.list = make("div", "bands");
    this.empty = make("p", "empty", _("No device of this ward has sent anything yet. Start quietward simulate or quietward replay."));
    this.dialog = new BedsideDialog(care);
    this.wall = new Wall();
    this.unexpected = new UnexpectedDevices();
    host.append(make("h1", "spoken", _("All beds")), this.unexpected.root, this.empty, this.list, this.wall.root, this.dialog.root);
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
    setHidden(this.empty, head.beds.length > 0);
    this.unexpected.show(head); // before the rows, which share the rest of the screen
    const byNeed = head.beds.map((bed) => bed.card);
    this.speak(byNeed);
    const isWall = document.body.classList.contains("wall");
    setHidden(this.list, isWall);
    setHidden(this.wall.root, !isWall);
    if (isWall) this.wall.show(byNeed, strips);
    else this.showRows(byNeed, strips);
    this.dialog.show(byNeed, head.policy);
  }

  /**
   * @param {Card[]} byNeed
   * @param {Strips} strips
   */
  showRows(byNeed, strips) {
    const { beds, first } = inOrder(byNeed, options.order);
    for (const [bed, row] of this.rows) {
      if (!beds.some((card) => card.bed === bed)) {
        row.root.remove();
        this.rows.delete(bed);
      }
    }
    const shown = beds.map(({ bed }) => this.rowOf(bed));
    this.place(shown, `${beds.map((card) => card.bed)} ${first?.bed}`);
    this.size(beds.length, first !== null);
    const isNarrow = this.list.dataset.size === "many";
    beds.forEach((card, i) => shown[i]?.show(card, card === first, isNarrow && card !== first));
    setFromTop(this.list);
    beds.forEach((card, i) => shown[i]?.draw(card, strips.get(card.bed)));
  }

  /** @param {string} bed */
  rowOf(bed) {
    // The keyboard's focus moves with its row; a pointer stays where it is.
    /** @param {MouseEvent} event */
    const mayPress = (event) => event.detail === 0 || performance.now() - this.movedAt > SETTLED_MS;
    const row = this.rows.get(bed) ?? new BedRow(bed, mayPress, (one) => this.act(one));
    this.rows.set(bed, row);
    return row;
  }

  /** @param {string} bed */
  act(bed) {
    this.dialog.open(bed);
    this.redraw();
  }

  /**
   * As many rows as there are share the screen; on paper to scale every strip has the height that its scale asks for.
   * @param {number} beds
   * @param {boolean} hasFirst
   */
  size(beds, hasFirst) {
    const { size, columns, rows } = gridSize(beds, hasFirst);
    const { dataset } = this.list;
    dataset.size = size;
    dataset.paper = options.bpm === "fit" ? "fit" : "scale";
    setProperty(this.list, "--columns", columns);
    setProperty(this.list, "--rows", rows);
    setProperty(this.list, "--first-height", FIRST_HEIGHT);
    setProperty(this.list, "--paper-height", options.bpm === "fit" ? "auto" : `${heightToScale(stripStyle(), options.bpm)}px`);
  }

  /**
   * @param {BedRow[]} rows
   * @param {string} places who stands where, to see whether somebody has moved
   */
  place(rows, places) {
    if (this.places && places !== this.places) this.movedAt = performance.now();
    this.places = places;
    const focused = document.activeElement;
    rows.forEach(({ root }, place) => {
      const there = this.list.children[place];
      if (there !== root) this.list.insertBefore(root, there ?? null);
    });
    if (focused instanceof HTMLElement && focused !== document.activeElement && this.list.contains(focused)) focused.focus();
  }

  /** @param {Card[]} byNeed */
  speak(byNeed) {
    const { text, key } = sentenceOf(byNeed);
    if (key === this.spoken) return;
    this.spoken = key;
    byId("spoken").textContent = text;
  }

  close() {
    this.endOptions();
    window.removeEventListener("resize", this.redraw);
    this.host.replaceChildren();
  }
}
