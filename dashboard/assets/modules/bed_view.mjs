// Bed: one strip, what was found on it, its log, and the answer to its flag.

import { make, say, setShape, shape, signalWords, waiting } from "./elements.mjs";
import { draw } from "./strip.mjs";

const NAME_KEY = "quietward-name";

export class BedView {
  constructor(host, bed) {
    this.host = host;
    this.bed = bed;
    this.events = -1;
    this.flag = null;
    const back = make("a", "back", "‹ all beds");
    back.href = "/";
    this.shape = shape();
    this.title = make("h1", "", bed);
    this.headline = make("span", "headline");
    this.reason = make("p", "reason");
    this.waiting = make("p", "waiting");
    this.signal = make("p", "signal");
    const head = make("div", "head");
    head.append(back, this.shape, this.title, this.headline);
    this.canvas = make("canvas", "strip tall");
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", `Strip of ${bed}, 1 cm a minute, 20 bpm a centimetre`);
    this.facts = make("div", "facts");
    this.log = make("ol", "log");
    const logBox = make("section", "box");
    logBox.append(make("h2", "", "Log"), this.log);
    const below = make("div", "below");
    below.append(this.facts, logBox);
    host.append(head, this.reason, this.answerForm(), this.waiting, this.signal, this.canvas, below);
  }

  answerForm() {
    this.form = make("form", "answer");
    this.name = make("input");
    this.name.placeholder = "your name";
    this.name.setAttribute("aria-label", "your name");
    this.name.maxLength = 64;
    this.name.required = true;
    this.name.value = localStorage.getItem(NAME_KEY) ?? "";
    this.result = make("span", "result");
    this.form.append(this.name, make("button", "", "Acknowledge"), this.result);
    this.form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.acknowledge();
    });
    return this.form;
  }

  async acknowledge() {
    localStorage.setItem(NAME_KEY, this.name.value.trim());
    const body = JSON.stringify({ bed: this.bed, flag: this.flag, by: this.name.value.trim() });
    try {
      const response = await fetch("/answer", { method: "POST", body });
      say(this.result, response.ok ? "sent" : `not taken: ${await response.text()}`);
    } catch {
      say(this.result, "not sent: no connection to the server");
    }
  }

  show(head, strips) {
    const found = head.beds.find((bed) => bed.card.bed === this.bed);
    if (!found) {
      say(this.reason, "No device of this bed has sent anything.");
      this.form.hidden = true;
      return;
    }
    const { card } = found;
    this.host.className = `live bed state-${card.state}`;
    setShape(this.shape, card.shape);
    say(this.headline, card.headline);
    say(this.reason, card.reason);
    say(this.waiting, waiting(card));
    say(this.signal, signalWords(card));
    if (card.flag !== this.flag) say(this.result, "");
    this.flag = card.flag;
    this.form.hidden = !card.flag || Boolean(card.acknowledged_by);
    this.showFacts(card);
    const strip = strips.get(this.bed);
    if (strip) draw(this.canvas, strip, { text: true, runningFrom: card.running_from_s });
    if (card.events !== this.events) {
      this.events = card.events;
      this.loadLog();
    }
  }

  showFacts(card) {
    const rows = [
      ["FHR now", `${card.fhr} bpm`],
      ["Baseline", `${card.baseline} bpm`],
      ["Variability", `${card.variability} bpm`],
      ["Contractions", card.contractions],
      ["", card.contraction_rate],
      ["Deceleration running", card.running || "none"],
      ["Concern", card.concern === null ? "cannot be said" : `${card.concern.toFixed(0)} of 100`],
      ...card.concern_parts.map(([name, points]) => [`· ${name}`, `${points.toFixed(0)} points`]),
      ...card.classes.flatMap(([rules, name, criteria]) => [[rules, name], ...criteria.map((c) => ["·", c])]),
      ["Source", card.source],
    ];
    const key = JSON.stringify(rows);
    if (key === this.factsKey) return;
    this.factsKey = key;
    const box = make("section", "box");
    const list = make("dl", "numbers wide");
    for (const [name, value] of rows) list.append(make("dt", "", name), make("dd", "", value));
    box.append(make("h2", "", "Findings"), list);
    this.facts.replaceChildren(box);
  }

  async loadLog() {
    let answer;
    try {
      answer = await (await fetch(`/log/${this.bed}`)).json();
    } catch {
      return; // the trouble line says that the server is away; the next event asks again
    }
    this.log.replaceChildren(
      ...answer.events.slice(0, 60).map((event) => {
        const item = make("li", event.kind.startsWith("flag") ? "flag" : "");
        const time = make("time", "", new Date(event.t).toLocaleTimeString([], { hourCycle: "h23" }));
        item.append(time, make("span", "", event.kind.startsWith("flag") ? `${event.kind.slice(5)}: ${event.text}` : event.text));
        return item;
      }),
    );
  }

  close() {
    this.host.replaceChildren();
  }
}
