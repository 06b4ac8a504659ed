// The ward as a wall display shows it: a strip for each bed that calls, a tile for each of the others, all in large letters.

import { drawIfMoved } from "../shared/draw.mjs";
import { make, setClass, setFromTop, setProperty, setShape, setSignalMark, setText, shape, signalMark } from "../shared/elements.mjs";
import { _ } from "../shared/language.mjs";
import { options } from "../shared/options.mjs";
import { answerInShort, headline, line, signalWords, stateClasses } from "../shared/words.mjs";
import { onWall, wallSize } from "./order.mjs";

/** @import { Card, Strips } from "../shared/types" */

const GAP_PX = 8; // as in the style sheet
const BETWEEN = " · ";
const USUAL = /^(baseline|variability) \d/;

export class Wall {
  constructor() {
    this.strips = make("div", "wall-strips");
    this.tiles = make("div", "wall-tiles");
    this.root = make("section", "wall-beds");
    this.root.setAttribute("aria-label", _("All beds"));
    this.root.append(this.strips, this.tiles);
    /** @type {Map<string, Tile>} */
    this.known = new Map();
    this.letterPx = 0;
  }

  /**
   * @param {Card[]} byNeed
   * @param {Strips} strips
   */
  show(byNeed, strips) {
    const beds = onWall(byNeed, options.order);
    for (const [bed, tile] of this.known) {
      if (byNeed.some((card) => card.bed === bed)) continue;
      tile.root.remove();
      this.known.delete(bed);
    }
    this.size(beds.strips.length, beds.tiles.length, byNeed.some((card) => card.twins.length > 0));
    arrange(this.strips, beds.strips.map((card) => this.tileOf(card.bed).root));
    arrange(this.tiles, beds.tiles.map((card) => this.tileOf(card.bed).root));
    for (const card of byNeed) this.tileOf(card.bed).show(card);
    const room = this.root.style.cssText;
    for (const card of beds.strips) this.tileOf(card.bed).fill(card, `strip ${room}`);
    for (const card of beds.tiles) this.tileOf(card.bed).fill(card, `tile ${room}`);
    for (const card of beds.strips) this.tileOf(card.bed).draw(card, strips, this.letterPx);
  }

  /** @param {string} bed */
  tileOf(bed) {
    const tile = this.known.get(bed) ?? new Tile(bed);
    this.known.set(bed, tile);
    return tile;
  }

  /**
   * @param {number} strips
   * @param {number} tiles
   * @param {boolean} hasTwins
   */
  size(strips, tiles, hasTwins) {
    setFromTop(this.root);
    const found = wallSize(strips, tiles, this.root.clientWidth - 2 * GAP_PX, this.root.clientHeight - 2 * GAP_PX, GAP_PX, hasTwins);
    setProperty(this.root, "--strip-columns", strips);
    setProperty(this.root, "--tile-columns", found.tileColumns);
    setProperty(this.root, "--strip-height", `${found.stripPx}px`);
    setProperty(this.root, "--tile-height", `${found.tilePx}px`);
    this.letterPx = found.letterPx;
    setProperty(this.root, "--letters", `${found.letterPx}px`);
  }
}

/**
 * @param {HTMLElement} place
 * @param {HTMLElement[]} inOrder
 */
function arrange(place, inOrder) {
  inOrder.forEach((one, i) => {
    const there = place.children[i];
    if (there !== one) place.insertBefore(one, there ?? null);
  });
}

class Tile {
  /** @param {string} bed */
  constructor(bed) {
    this.root = make("article", "tile");
    this.root.dataset.bed = bed;
    this.shape = shape();
    this.rate = make("span", "big");
    this.mark = signalMark();
    this.headline = make("span", "headline");
    this.waiting = make("span", "waiting");
    this.pattern = make("p", "pattern");
    this.canvas = make("canvas", "strip");
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", _("Strip of {bed}: fetal heart rate above, uterine activity below", { bed }));
    const top = make("div", "tile-top");
    top.append(this.shape, make("h2", "", bed), this.rate);
    const state = make("p", "tile-state");
    state.append(this.headline, this.waiting, this.mark);
    this.root.append(top, state, this.pattern, this.canvas);
  }

  /** @param {Card} card */
  show(card) {
    setClass(this.root, `tile ${stateClasses(card)}`);
    setShape(this.shape, card.shape);
    setSignalMark(this.mark, card.signal, signalWords(card));
    setText(this.rate, card.twins.length ? card.twins.map((twin) => twin.fhr).join("/") : card.fhr);
    this.rate.classList.toggle("of-twins", card.twins.length > 0);
    setText(this.headline, headline(card));
    setText(this.waiting, answerInShort(card));
  }

  /**
   * Whole parts of the bed's line, as many as there is room for; of the first, where it is too long, whole words.
   * @param {Card} card
   * @param {string} room what it depends on how much that is
   */
  fill(card, room) {
    const all = pattern(card).join(BETWEEN);
    if (this.pattern.dataset.said === room + all) return;
    this.pattern.dataset.said = room + all;
    const parts = all.split(/(?<= · |, )/);
    const whole = parts.map((_part, i) => parts.slice(0, i + 1).join("").replace(/( · |, )$/, ""));
    const words = (whole[0] ?? "").split(" ");
    const cut = words.slice(1).map((_word, i) => `${words.slice(0, i + 1).join(" ")} …`);
    for (const text of [...whole.reverse(), ...cut.reverse(), ""]) {
      setText(this.pattern, text);
      if (this.pattern.scrollHeight <= this.pattern.clientHeight + 1) return;
    }
  }

  /**
   * @param {Card} card
   * @param {Strips} strips
   * @param {number} letters size of the tile's letters, in pixels
   */
  draw(card, strips, letters) {
    const strip = strips.get(card.bed);
    if (strip) drawIfMoved(this.canvas, strip, { minuteCm: Number(options.minute), bpmPerCm: "fit", runningFrom: card.running_from_s, runningFrom2: card.twins[1]?.running_from_s, handFrom: card.hand?.running_from_s ?? null, letters });
  }
}

/**
 * The parts of a bed's line: of a quiet one what is usual, its level and variability, stands last.
 * @param {Card} card
 */
function pattern(card) {
  const parts = line(card);
  if (card.state !== "quiet" || card.running) return parts;
  const english = card.reason.split(BETWEEN);
  const isUsual = parts.map((_part, i) => USUAL.test(english[i] ?? ""));
  return [...parts.filter((_part, i) => !isUsual[i]), ...parts.filter((_part, i) => isUsual[i])];
}
