// Ward: a band for every bed, the one that needs somebody first.

import { Acknowledge } from "./acknowledge.mjs";
import { AtBedside } from "./at_bedside.mjs";
import { button, headline, make, say, setShape, shape, signalWords, waiting } from "./elements.mjs";
import { onOptions, options } from "./options.mjs";
import { draw, heightToScale, usualBpm } from "./strip.mjs";

const SETTLED_MS = 700; // a press so soon after the bands have moved was meant for what was there before

const FIRST_HEIGHT = 2; // of the first band, in bands
const byName = new Intl.Collator("en", { numeric: true });

class Band {
  constructor(bed, mayPress, onAct) {
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
    const act = button("…", "act", (event) => mayPress(event) && onAct(bed));
    act.title = "care note, shelve, timing by hand";
    act.setAttribute("aria-label", `What was done at ${bed}`);
    const head = make("div", "head");
    head.append(this.shape, this.link, this.headline, this.acknowledge.button, act);
    const answer = make("p", "answering");
    answer.append(this.waiting, this.acknowledge.result);
    const words = make("div", "words");
    const foot = make("div", "foot");
    foot.append(answer, this.signal);
    words.append(head, this.reason, foot);
    this.canvas = make("canvas", "strip");
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", `Strip of ${bed}: fetal heart rate above, uterine activity below`);
    this.fhr = make("span", "big");
    this.numbers = make("dl", "numbers");
    this.values = {};
    for (const [key, label, short] of [["baseline", "baseline", "base"], ["variability", "variability", "var."], ["contractions", "contr.", "contr."], ["per10", "in 10 min", "/10 min"], ["concern", "concern", "conc."]]) {
      const name = make("dt", "", label);
      name.dataset.short = short; // where there are many beds
      this.values[key] = make("dd");
      name.dataset.key = this.values[key].dataset.key = key;
      this.numbers.append(name, this.values[key]);
    }
    const side = make("div", "side");
    const rate = make("div", "rate");
    rate.append(this.fhr, make("span", "unit", "bpm"));
    side.append(rate, this.numbers);
    this.root.append(words, this.canvas, side);
  }

  show(card, strip, { first, short, usual }) {
    this.root.className = `band state-${card.state}${first ? " first" : ""}${card.acknowledged_by ? " answered" : ""}`;
    setShape(this.shape, card.shape);
    say(this.headline, headline(card));
    say(this.reason, card.reason || (card.running ? `deceleration running: ${card.running}` : ""));
    this.reason.title = this.reason.textContent; // where the band is too low for all of it
    say(this.waiting, waiting(card));
    say(this.signal, signalWords(card));
    this.acknowledge.show(card);
    say(this.fhr, card.fhr);
    say(this.values.baseline, card.baseline);
    say(this.values.variability, card.variability);
    say(this.values.contractions, short ? card.contractions.replace("every ", "") : card.contractions);
    say(this.values.per10, card.contraction_rate.split(" in 10 min")[0]);
    say(this.values.concern, card.concern === null ? "–" : card.concern.toFixed(0));
    if (strip) draw(this.canvas, strip, { minuteCm: options.minute, bpmPerCm: options.bpm, runningFrom: card.running_from_s, handFrom: card.hand?.running_from_s ?? null, usualBpm: usual });
  }
}

export class WardView {
  constructor(host) {
    this.host = host;
    this.bands = new Map();
    this.list = make("div", "bands");
    this.empty = make("p", "empty", "No device of this ward has sent anything yet. Start quietward simulate or quietward replay.");
    this.atBedside = new AtBedside(JSON.parse(host.dataset.care));
    host.append(this.empty, this.list, this.atBedside.root);
    this.spoken = "";
    this.places = "";
    this.movedAt = -Infinity;
    this.last = null; // what was shown last
    this.redraw = () => this.last && this.show(...this.last);
    this.endOptions = onOptions(this.redraw);
    window.addEventListener("resize", this.redraw);
  }

  show(head, strips) {
    this.last = [head, strips];
    this.empty.hidden = head.beds.length > 0;
    const byNeed = head.beds.map((bed) => bed.card);
    const order = options.order === "place" ? inPlace(byNeed) : byNeed;
    const first = options.order === "need" && byNeed[0] && stands(byNeed[0]) ? byNeed[0] : null;
    // The keyboard's focus moves with its band; a pointer stays where it is.
    const mayPress = (event) => event.detail === 0 || performance.now() - this.movedAt > SETTLED_MS;
    for (const { bed } of order) if (!this.bands.has(bed)) this.bands.set(bed, new Band(bed, mayPress, (one) => this.act(one)));
    for (const [bed, band] of this.bands) {
      if (!order.some((card) => card.bed === bed)) {
        band.root.remove();
        this.bands.delete(bed);
      }
    }
    this.place(order, first);
    this.size(order.length, first);
    const usual = usualBpm(head.policy);
    const isNarrow = this.list.dataset.size === "many";
    for (const card of order) this.bands.get(card.bed).show(card, strips.get(card.bed), { first: card === first, short: isNarrow && card !== first, usual });
    this.atBedside.show(byNeed, head.policy);
    this.speak(byNeed[0]);
  }

  act(bed) {
    this.atBedside.open(bed);
    this.redraw();
  }

  // As many rows as there are share the screen; on paper to scale every strip has the height that its scale asks for.
  size(beds, first) {
    const size = beds > 12 ? "many" : beds > 6 ? "several" : "few";
    const columns = size === "many" ? (document.body.classList.contains("wall") && beds > 24 ? 3 : 2) : 1;
    const { style, dataset } = this.list;
    dataset.size = size;
    dataset.paper = options.bpm === "fit" ? "fit" : "scale";
    style.setProperty("--columns", columns);
    style.setProperty("--rows", first ? FIRST_HEIGHT + Math.ceil((beds - 1) / columns) : Math.ceil(beds / columns));
    style.setProperty("--first-height", FIRST_HEIGHT);
    style.setProperty("--from-top", `${this.host.getBoundingClientRect().top + window.scrollY}px`);
    style.setProperty("--paper-height", options.bpm === "fit" ? "auto" : `${heightToScale(options.bpm)}px`);
  }

  place(order, first) {
    const places = `${order.map((card) => card.bed)} ${first?.bed}`;
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
    this.endOptions();
    window.removeEventListener("resize", this.redraw);
    this.host.replaceChildren();
  }
}

// The first bed has a higher band while it asks for somebody.
function stands(card) {
  return !["quiet", "shelved", "paused"].includes(card.state);
}

function inPlace(cards) {
  return [...cards].sort((a, b) => byName.compare(a.bed, b.bed));
}
