// Why something on a strip is called what it is called: told for what the pointer, or the arrow keys, point at.

import { secondAt } from "../shared/draw.mjs";
import { say, spokenLine } from "../shared/elements.mjs";
import { timeOf } from "../shared/words.mjs";
import { findingAt, neighbour } from "./pointing.mjs";

/** @import { Strip } from "../shared/strip.mjs" */
/** @import { Mark } from "../shared/types" */

const IDLE = "Point at a finding on the strip, or press the left and right arrow on it, to see why it is called what it is.";

export class Why {
  /**
   * @param {HTMLCanvasElement} canvas
   * @param {() => number} minuteCm paper speed of the strip that is shown
   */
  constructor(canvas, minuteCm) {
    /** @type {Strip | null} */
    this.strip = null;
    /** @type {Mark | null} */
    this.mark = null;
    this.root = spokenLine("p", "told", IDLE);
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

  /** @param {Mark | null} mark */
  tell(mark) {
    this.mark = mark;
    say(this.root, mark ? `${timeOf(mark.from * 1000)}, ${mark.text}: ${mark.why.join("; ")}.` : IDLE);
  }
}
