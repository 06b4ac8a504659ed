// Ward: a band for every bed, the one that needs somebody first.

import { Acknowledge } from "./acknowledge.mjs";
import { headline, make, say, setShape, shape, signalWords, waiting } from "./elements.mjs";
import { draw } from "./strip.mjs";

const SETTLED_MS = 700; // a press so soon after the bands have moved was meant for what was there before

class Band {
  constructor(bed, mayPress) {
    this.root = make("article", "band");
    this.root.dataset.bed = bed;
    this.shape = shape();
    this.link = make("a", "open", bed);
    this.link.href = `/bed/${bed}`;
    this.headline = make("span", "headline");
    this.reason = make("p", "reason");
    this.waiting = make("span", "waiting");
    this.signal = make("p", "signal");
    this.headline.id = `headline-${bed}`;
    this.reason.id = `reason-${bed}`;
    this.link.setAttribute("aria-describedby", `${this.headline.id} ${this.reason.id}`);
    this.acknowledge = new Acknowledge(bed, mayPress);
    const head = make("div", "head");
    head.append(this.shape, this.link, this.headline, this.acknowledge.button);
    const answer = make("p", "answering");
    answer.append(this.waiting, this.acknowledge.result);
    const words = make("div", "words");
    words.append(head, this.reason, answer, this.signal);
    this.canvas = make("canvas", "strip");
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", `Strip of ${bed}: fetal heart rate above, uterine activity below`);
    this.fhr = make("span", "big");
    this.numbers = make("dl", "numbers");
    this.values = {};
    for (const [key, label, short] of [["baseline", "baseline", "base"], ["variability", "variability", "var."], ["contractions", "contr.", "contr."], ["concern", "concern", "conc."]]) {
      const name = make("dt", "", label);
      name.dataset.short = short; // where there are many beds
      this.values[key] = make("dd");
      this.numbers.append(name, this.values[key]);
    }
    const side = make("div", "side");
    const rate = make("div", "rate");
    rate.append(this.fhr, make("span", "unit", "bpm"));
    side.append(rate, this.numbers);
    this.root.append(words, this.canvas, side);
  }

  show(card, strip, first) {
    this.root.className = `band state-${card.state}${first ? " first" : ""}${card.acknowledged_by ? " answered" : ""}`;
    setShape(this.shape, card.shape);
    say(this.headline, headline(card));
    say(this.reason, card.reason || (card.running ? `deceleration running: ${card.running}` : ""));
    say(this.waiting, waiting(card));
    say(this.signal, signalWords(card));
    this.acknowledge.show(card);
    say(this.fhr, card.fhr);
    say(this.values.baseline, card.baseline);
    say(this.values.variability, card.variability);
    say(this.values.contractions, card.contractions);
    say(this.values.concern, card.concern === null ? "–" : card.concern.toFixed(0));
    if (strip) draw(this.canvas, strip, { runningFrom: card.running_from_s, handFrom: card.hand?.running_from_s ?? null });
  }
}

export class WardView {
  constructor(host) {
    this.host = host;
    this.bands = new Map();
    this.list = make("div", "bands");
    this.empty = make("p", "empty", "No device of this ward has sent anything yet. Start quietward simulate or quietward replay.");
    host.append(this.empty, this.list);
    this.spoken = "";
    this.places = "";
    this.movedAt = -Infinity;
  }

  show(head, strips) {
    this.empty.hidden = head.beds.length > 0;
    const order = head.beds.map((bed) => bed.card);
    // The keyboard's focus moves with its band; a pointer stays where it is.
    const mayPress = (event) => event.detail === 0 || performance.now() - this.movedAt > SETTLED_MS;
    for (const card of order) if (!this.bands.has(card.bed)) this.bands.set(card.bed, new Band(card.bed, mayPress));
    for (const [bed, band] of this.bands) {
      if (!order.some((card) => card.bed === bed)) {
        band.root.remove();
        this.bands.delete(bed);
      }
    }
    this.place(order);
    this.list.dataset.size = order.length > 12 ? "many" : order.length > 6 ? "several" : "few";
    order.forEach((card, place) => this.bands.get(card.bed).show(card, strips.get(card.bed), place === 0 && stands(card)));
    this.speak(order[0]);
  }

  place(order) {
    const places = `${order.map((card) => card.bed)} ${order[0] && stands(order[0])}`;
    if (this.places && places !== this.places) this.movedAt = performance.now();
    this.places = places;
    const focused = document.activeElement;
    order.forEach((card, place) => {
      const { root } = this.bands.get(card.bed);
      if (this.list.children[place] !== root) this.list.insertBefore(root, this.list.children[place] ?? null);
    });
    if (focused !== document.activeElement && this.list.contains(focused)) focused.focus();
  }

  // One sentence for screen readers when the bed that comes first changes, not one for every number.
  speak(first) {
    if (!first) return;
    const text = first.state === "quiet" ? "All beds quiet" : `${first.bed}: ${headline(first)}. ${first.reason.replace(/\d+(\.\d+)?/g, "")}`;
    if (text === this.spoken) return;
    this.spoken = text;
    document.getElementById("spoken").textContent = first.state === "quiet" ? text : `${first.bed}: ${headline(first)}. ${first.reason}`;
  }

  close() {
    this.host.replaceChildren();
  }
}

// The first bed has a higher band while it asks for somebody.
function stands(card) {
  return !["quiet", "shelved", "paused"].includes(card.state);
}
