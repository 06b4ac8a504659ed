// Why something on a strip is called what it is called: told for what the pointer, or the arrow keys, point at.

import { secondAt } from "../shared/draw.mjs";
import { setText, statusLine } from "../shared/elements.mjs";
import { _, N_, said } from "../shared/language.mjs";
import { timeOf } from "../shared/words.mjs";
import { findingAt, neighbour } from "./pointing.mjs";

/** @import { Strip } from "../shared/strip.mjs" */
/** @import { StripMark } from "../shared/types" */

const IDLE = N_("Tap or point at a marking to see why it was labelled; the left and right arrow keys go from one to the next.");

export class Explanation {
  /**
   * @param {HTMLCanvasElement} canvas
   * @param {() => number} minuteCm paper speed of the strip that is shown
   */
  constructor(canvas, minuteCm) {
    /** @type {Strip | null} */
    this.strip = null;
    /** @type {StripMark | null} */
    this.mark = null;
    this.root = statusLine("p", "told", _(IDLE));
    canvas.tabIndex = 0;
    canvas.addEventListener("pointermove", (event) => {
      if (this.strip) this.tell(findingAt(this.strip.marks, secondAt(canvas, this.strip, event.clientX, minuteCm())));
    });
    canvas.addEventListener("pointerleave", () => this.tell(null));
    canvas.addEventListener("keydown", (event) => {
      const way = event.key === "ArrowLeft" ? -1 : event.key === "ArrowRight" ? 1 : null;
      if (!way || !this.strip) return;
      event.preventDefault();
      this.tell(neighbour(this.strip.marks, this.mark, way));
    });
  }

  /** @param {Strip} strip */
  show(strip) {
    this.strip = strip;
  }

  /** @param {StripMark | null} mark */
  tell(mark) {
    this.mark = mark;
    setText(this.root, mark ? `${timeOf(mark.from * 1000)}, ${said(mark.text)}: ${mark.why.map(said).join("; ")}.` : _(IDLE));
  }
}
