// Why something on a strip is called what it is called: told for what the pointer, or the arrow keys, point at.

import { make, say, timeOf } from "./elements.mjs";
import { secondAt } from "./strip.mjs";

const TOLD = ["deceleration", "acceleration", "contraction"];
const IDLE = "Point at a finding on the strip, or press the left and right arrow on it, to see why it is called what it is.";

export class Why {
  // minuteCm: returns the paper speed of the strip that is shown.
  constructor(canvas, minuteCm) {
    this.canvas = canvas;
    this.strip = null;
    this.mark = null;
    this.root = make("p", "told", IDLE);
    this.root.setAttribute("role", "status");
    canvas.tabIndex = 0;
    canvas.addEventListener("pointermove", (event) => this.strip && this.tell(this.at(secondAt(canvas, this.strip, event.clientX, minuteCm()))));
    canvas.addEventListener("pointerleave", () => this.tell(null));
    canvas.addEventListener("keydown", (event) => this.step(event));
  }

  show(strip) {
    this.strip = strip;
  }

  at(second) {
    const under = this.strip.marks.filter((mark) => TOLD.includes(mark.kind) && mark.to !== null && mark.from <= second && second <= mark.to);
    return under.sort((a, b) => TOLD.indexOf(a.kind) - TOLD.indexOf(b.kind))[0] ?? null;
  }

  step(event) {
    const way = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (!way || !this.strip) return;
    event.preventDefault();
    const known = this.strip.marks.filter((mark) => TOLD.includes(mark.kind) && mark.to !== null).sort((a, b) => a.from - b.from);
    const here = known.findIndex((mark) => mark.from === this.mark?.from && mark.kind === this.mark?.kind);
    this.tell(known[here < 0 ? known.length - 1 : Math.max(0, Math.min(known.length - 1, here + way))] ?? null);
  }

  tell(mark) {
    this.mark = mark;
    say(this.root, mark ? `${timeOf(mark.from * 1000)}, ${mark.text}: ${mark.why.join("; ")}.` : IDLE);
  }
}
