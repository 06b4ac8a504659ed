// Ward: a band for every bed, the one that needs somebody first.

import { make, say, setShape, shape, signalWords, waiting } from "./elements.mjs";
import { draw } from "./strip.mjs";

class Band {
  constructor(bed) {
    this.root = make("a", "band");
    this.root.href = `/bed/${bed}`;
    this.root.dataset.bed = bed;
    this.shape = shape();
    this.name = make("span", "bed-name", bed);
    this.headline = make("span", "headline");
    this.reason = make("p", "reason");
    this.waiting = make("p", "waiting");
    this.signal = make("p", "signal");
    const head = make("div", "head");
    head.append(this.shape, this.name, this.headline);
    const words = make("div", "words");
    words.append(head, this.reason, this.waiting, this.signal);
    this.canvas = make("canvas", "strip");
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", `Strip of ${bed}: fetal heart rate above, uterine activity below`);
    this.fhr = make("span", "big");
    this.numbers = make("dl", "numbers");
    this.values = {};
    for (const [key, label] of [["baseline", "baseline"], ["variability", "variability"], ["contractions", "contr."], ["concern", "concern"]]) {
      this.values[key] = make("dd");
      this.numbers.append(make("dt", "", label), this.values[key]);
    }
    const side = make("div", "side");
    const rate = make("div", "rate");
    rate.append(this.fhr, make("span", "unit", "bpm"));
    side.append(rate, this.numbers);
    this.root.append(words, this.canvas, side);
  }

  show(card, strip, first) {
    this.root.className = `band state-${card.state}${first && card.state !== "quiet" ? " first" : ""}${card.acknowledged_by ? " answered" : ""}`;
    setShape(this.shape, card.shape);
    say(this.headline, card.headline);
    say(this.reason, card.reason || (card.running ? `deceleration running: ${card.running}` : ""));
    say(this.waiting, waiting(card));
    say(this.signal, signalWords(card));
    say(this.fhr, card.fhr);
    say(this.values.baseline, card.baseline);
    say(this.values.variability, card.variability);
    say(this.values.contractions, card.contractions);
    say(this.values.concern, card.concern === null ? "–" : card.concern.toFixed(0));
    if (strip) draw(this.canvas, strip, { runningFrom: card.running_from_s });
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
  }

  show(head, strips) {
    this.empty.hidden = head.beds.length > 0;
    const order = head.beds.map((bed) => bed.card);
    for (const card of order) if (!this.bands.has(card.bed)) this.bands.set(card.bed, new Band(card.bed));
    for (const [bed, band] of this.bands) {
      if (!order.some((card) => card.bed === bed)) {
        band.root.remove();
        this.bands.delete(bed);
      }
    }
    order.forEach((card, place) => {
      const { root } = this.bands.get(card.bed);
      if (this.list.children[place] !== root) {
        const focused = root.contains(document.activeElement);
        this.list.insertBefore(root, this.list.children[place] ?? null);
        if (focused) document.activeElement !== root && root.focus();
      }
    });
    this.list.dataset.size = order.length > 12 ? "many" : order.length > 6 ? "several" : "few";
    order.forEach((card, place) => this.bands.get(card.bed).show(card, strips.get(card.bed), place === 0));
    this.speak(order[0]);
  }

  // One sentence for screen readers when the bed that comes first changes, not one for every number.
  speak(first) {
    if (!first) return;
    const text = first.state === "quiet" ? "All beds quiet" : `${first.bed}: ${first.headline}. ${first.reason.replace(/\d+(\.\d+)?/g, "")}`;
    if (text === this.spoken) return;
    this.spoken = text;
    document.getElementById("spoken").textContent = first.state === "quiet" ? text : `${first.bed}: ${first.headline}. ${first.reason}`;
  }

  close() {
    this.host.replaceChildren();
  }
}
